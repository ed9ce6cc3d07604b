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
			role, err := a.Enter(t.Context(), c.secret, c.name)
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
		if role, err := a.Enter(t.Context(), "anything at all, long", "x"); role != "" || !errors.Is(err, ErrNobody) {
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
	if _, err := a.Enter(t.Context(), actSecret, "x"); !errors.Is(err, ErrWrong) {
		t.Errorf("the old secret: %v", err)
	}
	if role, _ := a.Enter(t.Context(), "an entirely new secret", "x"); role != rules.Act {
		t.Errorf("the new secret opens %q", role)
	}
	if err := os.Remove(s.File); err != nil {
		t.Fatal(err)
	}
	if role, err := a.Enter(t.Context(), "an entirely new secret", "y"); role != "" || err == nil {
		t.Errorf("a secret that is gone opens %q, %v", role, err)
	}
}

func TestBadSecretsAreRefusedAtTheStart(t *testing.T) {
	stored, err := Stored(actSecret)
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("TEST_STORED", stored)
	for name, c := range map[string]Config{
		"too short":          {Act: file(t, "short")},
		"empty":              {See: file(t, "\n")},
		"same, as stored":    {See: file(t, actSecret), Act: Secret{Env: "TEST_STORED"}},
		"stored and cut":     {Act: file(t, stored[:len(stored)-9])},
		"stored, few rounds": {Act: file(t, strings.Replace(stored, "$600000$", "$60$", 1))},
		"missing file":       {Act: Secret{File: "/nowhere/secret"}},
		"missing in env":     {Act: Secret{Env: "STROKEBANK_TEST_NO_SUCH_VARIABLE"}},
		"file and env":       {Act: Secret{File: "a", Env: "b"}},
		"the same secret":    {See: file(t, actSecret), Act: file(t, actSecret)},
	} {
		if _, err := New(c); err == nil || strings.Contains(err.Error(), actSecret) || strings.Contains(err.Error(), "\"short\"") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestGuessingIsThrottled(t *testing.T) {
	a, now := both(t)
	for i := range mostWrong {
		if _, err := a.Enter(t.Context(), fmt.Sprint("a wrong secret ", i), "here"); !errors.Is(err, ErrWrong) {
			t.Fatalf("guess %d: %v", i, err)
		}
	}
	if _, err := a.Enter(t.Context(), actSecret, "here"); !errors.Is(err, ErrThrottled) {
		t.Errorf("after %d guesses the right one: %v", mostWrong, err)
	}
	for i := range mostWrong {
		_, _, _ = a.EnterAs(t.Context(), fmt.Sprint("a wrong secret ", i), fmt.Sprint("somewhere ", i), "M. Okoro")
	}
	if _, _, err := a.EnterAs(t.Context(), actSecret, "elsewhere", " m. okoro"); !errors.Is(err, ErrThrottled) {
		t.Errorf("after %d guesses under one name the right one: %v", mostWrong, err)
	}
	if role, _, err := a.EnterAs(t.Context(), actSecret, "there", "B. Haddad"); role != rules.Act || err != nil {
		t.Errorf("from another place: %q %v", role, err)
	}
	*now = now.Add(forget + time.Second)
	if role, err := a.Enter(t.Context(), actSecret, "here"); role != rules.Act || err != nil {
		t.Errorf("a minute later: %q %v", role, err)
	}
	for i := range 10 * mostPlaces {
		_, _ = a.Enter(t.Context(), "a wrong secret, again", fmt.Sprint("place ", i))
	}
	if _, err := a.Enter(t.Context(), actSecret, "yet another"); !errors.Is(err, ErrThrottled) {
		t.Errorf("after guesses from everywhere: %v", err)
	}
	if role, err := a.Enter(t.Context(), actSecret, "there"); role != rules.Act || err != nil {
		t.Errorf("strangers lock out who has entered before: %q %v", role, err)
	}
	for i := range mostWrong {
		_, _, _ = a.EnterAs(t.Context(), fmt.Sprint("a wrong secret ", i), "there", fmt.Sprint(i))
	}
	if _, err := a.Enter(t.Context(), actSecret, "there"); !errors.Is(err, ErrThrottled) {
		t.Errorf("who has entered before guesses on: %v", err)
	}
	for i := range 3 * mostKnown {
		a.welcome(fmt.Sprint("guest ", i))
	}
	if len(a.wrong) > mostPlaces+1 || len(a.known) > mostKnown {
		t.Errorf("%d places and %d guests are remembered", len(a.wrong), len(a.known))
	}
	*now = now.Add(forget + time.Second)
	if role, err := a.Enter(t.Context(), actSecret, "yet another"); role != rules.Act || err != nil {
		t.Errorf("a minute later: %q %v", role, err)
	}
}

// A secret that is stored so that it cannot be read opens its role, and the
// second time at once.
func TestStoredSecret(t *testing.T) {
	stored, err := Stored(actSecret)
	if err != nil || strings.Contains(stored, actSecret) {
		t.Fatal(stored, err)
	}
	if other, _ := Stored(actSecret); other == stored {
		t.Error("two of the same secret are alike: the salt is missing")
	}
	if _, err := Stored("short"); !errors.Is(err, ErrShort) {
		t.Errorf("a short one: %v", err)
	}
	s := file(t, stored)
	a, err := New(Config{Act: s, See: file(t, seeSecret)})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		secret string
		role   rules.Role
	}{{actSecret, rules.Act}, {seeSecret, rules.See}, {actSecret + "x", ""}, {stored, ""}, {actSecret, rules.Act}} {
		if role, err := a.Enter(t.Context(), c.secret, "x"); role != c.role || (err == nil) != (c.role != "") {
			t.Errorf("%s opens %q, %v", c.secret, role, err)
		}
	}
	if n := testing.AllocsPerRun(3, func() { _, _ = a.Enter(t.Context(), actSecret, "x") }); n > 100 {
		t.Errorf("%v allocations: it is derived anew at every question", n)
	}
	// A remembered secret does not outlive the line that it stood for.
	if other, err := Stored("an entirely new secret"); err != nil || os.WriteFile(s.File, []byte(other), 0o600) != nil {
		t.Fatal(err)
	}
	if role, err := a.Enter(t.Context(), actSecret, "x"); role != "" || !errors.Is(err, ErrWrong) {
		t.Errorf("the old secret opens %q, %v", role, err)
	}
	if f := Fresh(); len(f) < least || f == Fresh() {
		t.Errorf("a new secret: %s", f)
	}
}

// The form is RFC 8018's PBKDF2 with HMAC-SHA-256: the test vectors of
// RFC 7914, section 11, for it (from memory; agrees with Python's hashlib).
func TestDerivation(t *testing.T) {
	got, err := derive("Password", []byte("NaCl"), 80000)
	if err != nil || !strings.HasPrefix(got, "pbkdf2-sha256$80000$TmFDbA$TdzY9guYviGDDO5e8icB+WQaRBjQTAQUrv8Ih2s0q1") {
		t.Errorf("%s %v", got, err)
	}
}
