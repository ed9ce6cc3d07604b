// Package authority decides who may see and who may act: two roles, each with
// a secret from a file or the environment, as it is or in a form from which
// it cannot be read. The page, the command line and the
// messages all ask here.
package authority

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"strokebank/rules"
)

// The reasons for which somebody is turned away.
var (
	ErrWrong     = errors.New("the secret is wrong")
	ErrMissing   = errors.New("a secret is needed")
	ErrThrottled = errors.New("too many wrong secrets: wait a minute")
	ErrNobody    = errors.New("nobody may act: the configuration names no secret for it")
)

// Secret is where a role's secret stands: a file whose first line it is, or an
// environment variable. With neither the role has none.
type Secret struct {
	File, Env string
}

// Config is the two roles.
type Config struct {
	See, Act Secret
	// LocalActs: where Act has no secret, who reaches the page over loopback
	// may act. Without it nobody may.
	LocalActs bool
	Now       func() time.Time // nil: time.Now
}

// least is the shortest secret that is taken: 16 characters guessed at the
// rate of the throttle outlast any plant. *Common practice, no source.*
const least = 16

// Authority knows the secrets. Safe for concurrent use.
type Authority struct {
	cfg Config
	key [32]byte // of what is remembered; new with every process

	mu    sync.Mutex
	wrong map[string]*failures
	known []string // addresses that have entered, the newest last

	slow  sync.Mutex // one derivation at a time: a flood of guesses takes one core at most
	right map[string][32]byte
}

// New reads the secrets once to see that they are there; they are read again
// at every question, so that they can be renewed without a restart.
func New(c Config) (*Authority, error) {
	if c.Now == nil {
		c.Now = time.Now
	}
	a := &Authority{cfg: c, wrong: map[string]*failures{}, right: map[string][32]byte{}}
	if _, err := rand.Read(a.key[:]); err != nil {
		return nil, fmt.Errorf("access: %w", err)
	}
	see, seeErr := c.See.read()
	act, actErr := c.Act.read()
	err := errors.Join(named("see", seeErr), named("act", actErr))
	if err == nil && see != "" && (see == act || !strings.HasPrefix(see, storedForm) && opens(act, see) ||
		!strings.HasPrefix(act, storedForm) && opens(see, act)) {
		err = errors.New("the roles see and act have the same secret")
	}
	if err != nil {
		return nil, fmt.Errorf("access: %w", err)
	}
	return a, nil
}

func named(role string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("secret of the role %s: %w", role, err)
}

// read is the secret; empty where none is configured. An error never has the
// secret in it.
func (s Secret) read() (string, error) {
	var text string
	switch {
	case s.File != "" && s.Env != "":
		return "", errors.New("give a file or an environment variable, not both")
	case s.File != "":
		all, err := os.ReadFile(s.File)
		if err != nil {
			return "", err
		}
		text, _, _ = strings.Cut(string(all), "\n")
	case s.Env != "":
		text = os.Getenv(s.Env)
	default:
		return "", nil
	}
	text = strings.TrimRight(text, "\r\n")
	if strings.HasPrefix(text, storedForm) {
		if _, _, err := parts(text); err != nil {
			return "", fmt.Errorf("in %s: %w", s.File+s.Env, err)
		}
	}
	if len(text) < least {
		return "", fmt.Errorf("it has %d characters in %s: at least %d are needed", len(text), s.File+s.Env, least)
	}
	return text, nil
}

// given reports whether a role has a secret.
func (s Secret) given() bool { return s.File != "" || s.Env != "" }

// Needs reports whether a role needs a secret. Acting without one is for who
// reaches the agent over loopback, where the configuration allows that.
func (a *Authority) Needs(role rules.Role) bool {
	if role == rules.Act {
		return a.cfg.Act.given() || !a.cfg.LocalActs
	}
	return a.cfg.See.given()
}

// Enter is the role that a secret opens. from says where the question comes
// from: after five wrong secrets within a minute from one place, or twenty
// from anywhere, it is answered with ErrThrottled, whatever the secret. A
// place that has entered before waits for its own mistakes only, so that
// strangers who guess cannot lock out who belongs here.
func (a *Authority) Enter(secret, from string) (rules.Role, error) {
	return a.EnterAs(secret, from, "")
}

// EnterAs is Enter for somebody who says who they are: five wrong secrets
// under one name, from wherever, are too many as well.
func (a *Authority) EnterAs(secret, from, name string) (rules.Role, error) {
	if !a.cfg.Act.given() && !a.cfg.See.given() {
		return "", ErrNobody
	}
	if secret == "" {
		return "", ErrMissing
	}
	if a.throttled(from, name) {
		return "", ErrThrottled
	}
	// Both are compared, always.
	act, see := a.is(rules.Act, a.cfg.Act, secret), a.is(rules.See, a.cfg.See, secret)
	switch {
	case act:
		a.welcome(from)
		return rules.Act, nil
	case see:
		a.welcome(from)
		return rules.See, nil
	}
	a.fail(from, name)
	return "", ErrWrong
}

// is compares in a time that does not depend on the secret. One that cannot
// be read any more is nobody's. What was right once is remembered under a key
// of this process, so that a program that asks every second costs no
// derivation each time.
func (a *Authority) is(role rules.Role, s Secret, given string) bool {
	line, err := s.read()
	if err != nil || line == "" {
		return false
	}
	a.slow.Lock()
	defer a.slow.Unlock()
	h := hmac.New(sha256.New, a.key[:])
	fmt.Fprintf(h, "%d %s%s", len(line), line, given)
	sum := [32]byte(h.Sum(nil))
	if last, ok := a.right[string(role)]; ok && subtle.ConstantTimeCompare(last[:], sum[:]) == 1 {
		return true
	}
	if !opens(line, given) {
		return false
	}
	a.right[string(role)] = sum
	return true
}
