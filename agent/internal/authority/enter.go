package authority

import (
	"context"
	"crypto/subtle"

	"strokebank/rules"
)

// The bounds of those who wait for a derivation, which takes a tenth of a
// second of a core, and some seconds of a small one. *Common practice, no
// source.*
const (
	mostAsked      = 4  // secrets, the one that is being derived among them
	mostAskedKnown = 8  // where an address that has entered before asks for one more: strangers leave it room
	mostJoined     = 32 // who wait for what somebody else has asked with the same secret
)

// Enter is EnterAs for who does not say who they are.
func (a *Authority) Enter(ctx context.Context, secret, from string) (rules.Role, error) {
	role, _, err := a.EnterAs(ctx, secret, from, "")
	return role, err
}

// EnterAs is the role that a secret opens, and its Mark. from says where the
// question comes from, and name who asks, where they say so: after five wrong
// secrets within a minute from one place, or under one name, it is answered
// with ErrThrottled, whatever the secret; after twenty from all places, for
// those that have a wrong one among them. A place that has entered before
// waits for its own mistakes only, so that strangers who guess cannot lock out
// who belongs here.
//
// What was right before is answered at once. Anything else may have to be
// derived, one after another: where too many wait it is ErrBusy, and whose ctx
// ends while they wait leaves with its error; neither has guessed.
func (a *Authority) EnterAs(ctx context.Context, secret, from, name string) (rules.Role, string, error) {
	if !a.cfg.Act.given() && !a.cfg.See.given() {
		return "", "", ErrNobody
	}
	if secret == "" {
		return "", "", ErrMissing
	}
	q := a.question(secret, from, name)
	for {
		found, others, err := a.compare(q)
		if found == nil && others == nil && err == nil {
			found, err = a.derive(ctx, q)
		}
		switch {
		case err != nil:
			return "", "", err
		case found != nil:
			return found.role, a.mark(found.role, found.line), nil
		}
		if err := a.join(ctx, others); err != nil {
			return "", "", err
		}
	}
}

// Mark stands for the secret that a role has now: it differs once that was
// changed. Empty where there is none, or it cannot be read at the moment.
func (a *Authority) Mark(role rules.Role) string {
	s := a.cfg.See
	if role == rules.Act {
		s = a.cfg.Act
	}
	line, err := s.read()
	if err != nil || line == "" {
		return ""
	}
	return a.mark(role, line)
}

func (a *Authority) mark(role rules.Role, line string) string {
	sum := a.sum("mark", string(role), line)
	return string(sum[:])
}

// question is a secret that somebody shows, and what it may open.
type question struct {
	secret, from, name string

	doors   []door
	slow    bool     // one of them is in stored form
	key     [32]byte // of the secret and all doors
	counted []*failures
}

// door is a role and the line of its secret; sum stands for it together with
// the secret that is shown.
type door struct {
	role rules.Role
	line string
	sum  [32]byte
}

// question reads the secrets that there are. One that cannot be read any more
// is nobody's.
func (a *Authority) question(secret, from, name string) *question {
	q := &question{secret: secret, from: from, name: name}
	all := []string{"question", secret}
	for _, of := range []struct {
		role rules.Role
		Secret
	}{{rules.Act, a.cfg.Act}, {rules.See, a.cfg.See}} {
		line, err := of.read()
		if err != nil || line == "" {
			continue
		}
		q.doors = append(q.doors, door{of.role, line, a.sum("right", line, secret)})
		q.slow = q.slow || IsStored(line)
		all = append(all, line)
	}
	q.key = a.sum(all...)
	return q
}

// compare holds a secret against all that takes no time: secrets that stand
// in their files as they are, and what was right before. Looking at the
// throttle, comparing and counting are one step, so that no number of guesses
// at once is more than the bound. Where the secret must be derived it gives
// nothing, and the caller derives it; others is closed once others have done so.
func (a *Authority) compare(q *question) (found *door, others <-chan struct{}, err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.throttled(q.from, q.name) {
		return nil, nil, ErrThrottled
	}
	for i := range q.doors { // all, always: the time tells nothing
		if d := &q.doors[i]; a.quick(d, q.secret) && found == nil {
			found = d
		}
	}
	most := mostAsked
	if a.isKnown(q.from) {
		most = mostAskedKnown
	}
	same := a.asked[q.key]
	switch {
	case found != nil:
		a.welcome(q.from)
	case !q.slow:
		a.count(q)
		err = ErrWrong
	case same == nil && len(a.asked) >= most || same != nil && a.joined >= mostJoined:
		err = ErrBusy
	case same == nil:
		a.asked[q.key] = make(chan struct{})
		a.count(q)
	default:
		a.joined++
		others = same
	}
	return found, others, err
}

// quick compares without a derivation, in a time that does not depend on the
// secret; the caller holds the lock.
func (a *Authority) quick(d *door, given string) bool {
	if !IsStored(d.line) {
		return a.opens(d.line, given)
	}
	last, ok := a.right[d.role]
	return ok && subtle.ConstantTimeCompare(last[:], d.sum[:]) == 1
}

// derive waits for its turn and compares with what is in stored form. The
// attempt is counted already; it is taken back where the secret was right, or
// never compared.
func (a *Authority) derive(ctx context.Context, q *question) (*door, error) {
	found, err := a.inTurn(ctx, q)
	a.mu.Lock()
	defer a.mu.Unlock()
	close(a.asked[q.key])
	delete(a.asked, q.key)
	switch {
	case found != nil:
		a.takeBack(q)
		a.right[found.role] = found.sum
		a.welcome(q.from)
	case err != nil:
		a.takeBack(q)
	default:
		err = ErrWrong
	}
	return found, err
}

func (a *Authority) inTurn(ctx context.Context, q *question) (*door, error) {
	select {
	case a.turn <- struct{}{}:
		defer func() { <-a.turn }()
	case <-ctx.Done():
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for i := range q.doors {
		if d := &q.doors[i]; IsStored(d.line) && a.opens(d.line, q.secret) {
			return d, nil
		}
	}
	return nil, nil
}

// join waits until others have derived the same secret. Then it is asked
// anew: where it was right that is known by now, and where it was wrong each
// who shows it counts for themselves.
func (a *Authority) join(ctx context.Context, others <-chan struct{}) error {
	defer func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.joined--
	}()
	select {
	case <-others:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
