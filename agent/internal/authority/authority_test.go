package authority

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
)

const (
	seeSecret = "seeing-is-believing-7"
	actSecret = "acting-is-another-thing-4"
)

func file(t *testing.T, text string) Secret {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return Secret{File: path}
}

// both is an authority with both secrets and a clock of the test's.
func both(t *testing.T) (*Authority, *time.Time) {
	t.Helper()
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	t.Setenv("TEST_ACT", actSecret)
	a, err := New(Config{See: file(t, seeSecret+"\r\nnot this line\n"), Act: Secret{Env: "TEST_ACT"}, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	return a, &now
}

func TestSecretsOpenTheirRoles(t *testing.T) {
	a, _ := both(t)
	for _, c := range []struct {
		name, secret string
		role         rules.Role
		err          error
	}{
		{"who may see", seeSecret, rules.See, nil},
		{"who may act", actSecret, rules.Act, nil},
		{"nobody", "", "", ErrMissing},
		{"half a secret", actSecret[:20], "", ErrWrong},
		{"a secret and more", actSecret + "x", "", ErrWrong},
	} {
		t.Run(c.name, func(t *testing.T) {
			role, err := a.Enter(c.secret, c.name)
			if role != c.role || !errors.Is(err, c.err) || (err != nil && strings.Contains(err.Error(), "acting")) {
				t.Errorf("%q %v", role, err)
			}
		})
	}
	if !a.Needs(rules.See) || !a.Needs(rules.Act) {
		t.Error("both roles have secrets and need none")
	}
}

func TestWithoutSecrets(t *testing.T) {
	for _, local := range []bool{false, true} {
		a, err := New(Config{LocalActs: local})
		if err != nil {
			t.Fatal(err)
		}
		if a.Needs(rules.See) || a.Needs(rules.Act) == local {
			t.Errorf("local %v: see needs %v, act needs %v", local, a.Needs(rules.See), a.Needs(rules.Act))
		}
		if role, err := a.Enter("anything at all, long", "x"); role != "" || !errors.Is(err, ErrNobody) {
			t.Errorf("%q %v", role, err)
		}
	}
}

func TestSecretIsReadAnew(t *testing.T) {
	s := file(t, actSecret)
	a, err := New(Config{Act: s})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.File, []byte("an entirely new secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Enter(actSecret, "x"); !errors.Is(err, ErrWrong) {
		t.Errorf("the old secret: %v", err)
	}
	if role, _ := a.Enter("an entirely new secret", "x"); role != rules.Act {
		t.Errorf("the new secret opens %q", role)
	}
	if err := os.Remove(s.File); err != nil {
		t.Fatal(err)
	}
	if role, err := a.Enter("an entirely new secret", "y"); role != "" || err == nil {
		t.Errorf("a secret that is gone opens %q, %v", role, err)
	}
}

func TestBadSecretsAreRefusedAtTheStart(t *testing.T) {
	for name, c := range map[string]Config{
		"too short":       {Act: file(t, "short")},
		"empty":           {See: file(t, "\n")},
		"missing file":    {Act: Secret{File: "/nowhere/secret"}},
		"missing in env":  {Act: Secret{Env: "STROKEBANK_TEST_NO_SUCH_VARIABLE"}},
		"file and env":    {Act: Secret{File: "a", Env: "b"}},
		"the same secret": {See: file(t, actSecret), Act: file(t, actSecret)},
	} {
		if _, err := New(c); err == nil || strings.Contains(err.Error(), actSecret) || strings.Contains(err.Error(), "\"short\"") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestGuessingIsThrottled(t *testing.T) {
	a, now := both(t)
	for i := range mostWrong {
		if _, err := a.Enter(fmt.Sprint("a wrong secret ", i), "here"); !errors.Is(err, ErrWrong) {
			t.Fatalf("guess %d: %v", i, err)
		}
	}
	if _, err := a.Enter(actSecret, "here"); !errors.Is(err, ErrThrottled) {
		t.Errorf("after %d guesses the right one: %v", mostWrong, err)
	}
	if role, err := a.Enter(actSecret, "there"); role != rules.Act || err != nil {
		t.Errorf("from another place: %q %v", role, err)
	}
	*now = now.Add(forget + time.Second)
	if role, err := a.Enter(actSecret, "here"); role != rules.Act || err != nil {
		t.Errorf("a minute later: %q %v", role, err)
	}
	for i := range 10 * mostPlaces {
		_, _ = a.Enter("a wrong secret, again", fmt.Sprint("place ", i))
	}
	if _, err := a.Enter(actSecret, "yet another"); !errors.Is(err, ErrThrottled) {
		t.Errorf("after guesses from everywhere: %v", err)
	}
	if len(a.wrong) > mostPlaces+1 {
		t.Errorf("%d places are remembered", len(a.wrong))
	}
	*now = now.Add(forget + time.Second)
	if role, err := a.Enter(actSecret, "yet another"); role != rules.Act || err != nil {
		t.Errorf("a minute later: %q %v", role, err)
	}
}
