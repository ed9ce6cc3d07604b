package authority

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
)

// slowly is an authority with both secrets in stored form, whose derivations
// are counted, and wait while they are held up.
type slowly struct {
	*Authority
	t        *testing.T
	see, act Secret

	mu      sync.Mutex
	derived map[string]int // how often each secret
	held    chan struct{}  // nil: nothing is held up
}

func newSlowly(t *testing.T, memory *Memory) *slowly {
	t.Helper()
	s := &slowly{t: t, derived: map[string]int{}, see: file(t, inStore(t, seeSecret)), act: file(t, inStore(t, actSecret))}
	s.anew(memory)
	return s
}

// anew reads the configuration again.
func (s *slowly) anew(memory *Memory) {
	s.t.Helper()
	a, err := New(Config{See: s.see, Act: s.act, Memory: memory})
	if err != nil {
		s.t.Fatal(err)
	}
	open := a.opens
	a.opens = func(line, given string) bool {
		s.mu.Lock()
		s.derived[given]++
		held := s.held
		s.mu.Unlock()
		if held != nil {
			<-held
		}
		return open(line, given)
	}
	s.Authority = a
}

// inStore is the stored form with the fewest rounds that are taken.
func inStore(t *testing.T, secret string) string {
	t.Helper()
	text, err := derive(secret, []byte("a salt of "+secret[:6]), leastRound)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// holdUp lets derivations wait until the function that it gives is called.
func (s *slowly) holdUp() (goOn func()) {
	held := make(chan struct{})
	s.set(held)
	return func() { s.set(nil); close(held) }
}

func (s *slowly) set(held chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.held = held
}

// times is how many derivations there were, of how many secrets.
func (s *slowly) times() (all, secrets int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, n := range s.derived {
		all += n
	}
	return all, len(s.derived)
}

// enter expects what a secret opens; nil where it opens.
func (s *slowly) enter(secret, from string, want error) {
	s.t.Helper()
	if role, err := s.Enter(s.t.Context(), secret, from); !errors.Is(err, want) || (role == "") != (want != nil) {
		s.t.Errorf("%s from %s opens %q, %v; want %v", secret, from, role, err, want)
	}
}

// answers collects what is said to questions at once.
type answers struct {
	mu   sync.Mutex
	said map[error]int
}

func (a *answers) ask(ctx context.Context, s *slowly, secret, from string) {
	go func() {
		_, _, err := s.EnterAs(ctx, secret, from, "")
		a.mu.Lock()
		defer a.mu.Unlock()
		if a.said == nil {
			a.said = map[error]int{}
		}
		a.said[err]++
	}()
}

func (a *answers) want(t *testing.T, when string, want map[error]int) {
	t.Helper()
	synctest.Wait()
	a.mu.Lock()
	defer a.mu.Unlock()
	if fmt.Sprint(a.said) != fmt.Sprint(want) {
		t.Errorf("%s the answers are %v, want %v", when, a.said, want)
	}
}

// What was right once costs no derivation, for both roles.
func TestRememberedSecretsAreNotDerived(t *testing.T) {
	s := newSlowly(t, nil)
	s.enter(actSecret, "x", nil)
	s.enter(seeSecret, "y", nil)
	once, _ := s.times()
	for range 20 {
		s.enter(actSecret, "x", nil)
		s.enter(seeSecret, "y", nil)
	}
	if again, _ := s.times(); once > 3 || again != once {
		t.Errorf("%d derivations for two secrets, %d after 40 more questions", once, again)
	}
}

// Guesses at once are bounded as those one after another, few wait, and
// who shows what was right before does not wait for them.
func TestGuessesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSlowly(t, nil)
		s.enter(actSecret, "the shift", nil)
		s.enter(seeSecret, "a program", nil)
		s.derived = map[string]int{}
		goOn := s.holdUp()
		var a answers
		for i := range 60 {
			a.ask(t.Context(), s, fmt.Sprint("a wrong secret ", i), "here")
		}
		a.want(t, "while the first is derived", map[error]int{ErrBusy: 60 - mostAsked})
		s.enter(actSecret, "the shift", nil)
		s.enter(seeSecret, "a program", nil)
		s.enter(seeSecret, "another program", nil)
		goOn()
		a.want(t, "at the end", map[error]int{ErrBusy: 60 - mostAsked, ErrWrong: mostAsked})
		for i := range 5 {
			a.ask(t.Context(), s, fmt.Sprint("a later secret ", i), "here")
		}
		a.want(t, "later", map[error]int{ErrBusy: 60 - mostAsked, ErrThrottled: 5 + mostAsked - mostWrong, ErrWrong: mostWrong})
		if _, n := s.times(); n != mostWrong {
			t.Errorf("%d secrets were compared, want %d", n, mostWrong)
		}
	})
}

// The queue is bounded whoever asks; strangers leave room in it for who has
// entered before.
func TestFewWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSlowly(t, nil)
		s.enter(seeSecret, "a known place", nil)
		s.derived = map[string]int{}
		goOn := s.holdUp()
		var strangers, known answers
		for i := range 30 {
			strangers.ask(t.Context(), s, fmt.Sprint("a wrong secret ", i), fmt.Sprint("place ", i))
		}
		strangers.want(t, "held up", map[error]int{ErrBusy: 30 - mostAsked})
		known.ask(t.Context(), s, actSecret, "a known place")
		known.want(t, "held up", nil)
		goOn()
		strangers.want(t, "at the end", map[error]int{ErrBusy: 30 - mostAsked, ErrWrong: mostAsked})
		known.want(t, "at the end", map[error]int{nil: 1})
	})
}

// Whose client has gone leaves the queue: the secret is not derived, and
// nothing is held against the place.
func TestWhoHasGoneIsNotDerived(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSlowly(t, nil)
		goOn := s.holdUp()
		var first, gone, joined answers
		first.ask(t.Context(), s, "a wrong secret, the first", "there")
		first.want(t, "held up", nil)
		ctx, cancel := context.WithCancel(t.Context())
		for i := range mostAsked - 1 {
			gone.ask(ctx, s, fmt.Sprint("a wrong secret ", i), "here")
			gone.ask(ctx, s, fmt.Sprint("a wrong secret ", i), "here")
		}
		joined.ask(t.Context(), s, "a wrong secret 0", "elsewhere")
		gone.want(t, "held up", nil)
		cancel()
		gone.want(t, "after they have gone", map[error]int{context.Canceled: 2 * (mostAsked - 1)})
		goOn()
		first.want(t, "at the end", map[error]int{ErrWrong: 1})
		joined.want(t, "at the end", map[error]int{ErrWrong: 1})
		if _, n := s.times(); n != 2 {
			t.Errorf("%d secrets were derived, want that of the first and the one that somebody else waits for", n)
		}
		if n := s.recent(s.wrong["here"]); n != 0 {
			t.Errorf("%d wrong secrets are held against who has gone", n)
		}
		if s.joined != 0 || len(s.asked) != 0 {
			t.Errorf("%d and %d still wait", s.joined, len(s.asked))
		}
	})
}

// Who comes at once with the same right secret, as after a start, is let in
// after one derivation: nobody is taken for a flood of guesses.
func TestManyWithTheSameSecret(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSlowly(t, nil)
		goOn := s.holdUp()
		var a answers
		for i := range mostJoined + 1 {
			a.ask(t.Context(), s, actSecret, fmt.Sprint("place ", i%2))
		}
		a.want(t, "held up", nil)
		a.ask(t.Context(), s, actSecret, "too late")
		a.want(t, "held up, with one more", map[error]int{ErrBusy: 1})
		goOn()
		a.want(t, "at the end", map[error]int{ErrBusy: 1, nil: mostJoined + 1})
		if n, _ := s.times(); n != 1 {
			t.Errorf("%d derivations", n)
		}
		if n := s.recent(s.wrong["place 0"]) + s.recent(s.all); n != 0 {
			t.Errorf("%d right secrets count as wrong", n)
		}
	})
}

// Strangers who guess from several addresses do not keep out who comes for
// the first time.
func TestStrangersDoNotLockOut(t *testing.T) {
	a, now := both(t)
	if _, err := a.Enter(t.Context(), "a wrong secret, by mistake", "clumsy"); !errors.Is(err, ErrWrong) {
		t.Fatal(err)
	}
	for i := range mostWrongAll {
		_, _ = a.Enter(t.Context(), fmt.Sprint("a wrong secret ", i), fmt.Sprint("stranger ", i/mostWrong))
	}
	if role, err := a.Enter(t.Context(), actSecret, "newcomer"); role != rules.Act || err != nil {
		t.Errorf("a newcomer: %q %v", role, err)
	}
	if _, err := a.Enter(t.Context(), actSecret, "clumsy"); !errors.Is(err, ErrThrottled) {
		t.Errorf("who has a part in the wrong ones: %v", err)
	}
	compared := 0
	for i := range 3 * mostPlaces {
		if _, err := a.Enter(t.Context(), "a wrong secret, again", fmt.Sprint("place ", i)); errors.Is(err, ErrWrong) {
			compared++
		}
		if _, err := a.Enter(t.Context(), "a wrong secret, again", fmt.Sprint("place ", i)); !errors.Is(err, ErrThrottled) {
			t.Fatalf("place %d has a second guess: %v", i, err)
		}
	}
	if compared > mostPlaces {
		t.Errorf("%d guesses from as many addresses", compared)
	}
	for i := range 3 * mostPlaces {
		_, _, _ = a.EnterAs(t.Context(), fmt.Sprint("a wrong secret ", i), "newcomer", fmt.Sprint("name ", i))
	}
	if n := a.recent(a.wrong["newcomer"]); n != mostWrong {
		t.Errorf("%d wrong secrets of a known place are counted, want %d", n, mostWrong)
	}
	*now = now.Add(forget + time.Second)
	if role, err := a.Enter(t.Context(), actSecret, "clumsy"); role != rules.Act || err != nil {
		t.Errorf("a minute later: %q %v", role, err)
	}
}

// What is known lives on where the configuration is read again.
func TestMemoryLivesOn(t *testing.T) {
	s := newSlowly(t, NewMemory())
	s.enter(seeSecret, "known", nil)
	for i := range mostWrong {
		s.enter(fmt.Sprint("a wrong secret ", i), "here", ErrWrong)
	}
	see, act := s.Mark(rules.See), s.Mark(rules.Act)
	_, entered, _ := s.EnterAs(t.Context(), seeSecret, "known", "")
	s.derived = map[string]int{}
	s.anew(s.Memory)
	s.enter(seeSecret, "known", nil)
	s.enter(seeSecret, "here", ErrThrottled)
	if n, _ := s.times(); n != 0 || !s.isKnown("known") {
		t.Errorf("%d derivations after the reload; known: %v", n, s.known)
	}
	if see == "" || see == act || s.Mark(rules.See) != see || entered != see {
		t.Error("the mark of a secret that did not change is another one")
	}
	if err := os.WriteFile(s.see.File, []byte("an entirely new secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if s.Mark(rules.See) == see || s.Mark(rules.Act) != act {
		t.Error("the marks do not tell which secret has changed")
	}
	if err := os.Remove(s.see.File); err != nil {
		t.Fatal(err)
	}
	if s.Mark(rules.See) != "" {
		t.Error("a secret that is gone has a mark")
	}
}
