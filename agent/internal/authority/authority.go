// Package authority decides who may see and who may act: two roles, each with
// a secret from a file or the environment, as it is or in a form from which it
// cannot be read. The page, the command line and the messages all ask here.
package authority

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"strokebank/rules"
)

// The reasons for which somebody is turned away.
var (
	ErrWrong     = errors.New("the secret is wrong")
	ErrMissing   = errors.New("a secret is needed")
	ErrThrottled = errors.New("too many wrong secrets: wait a minute")
	ErrNobody    = errors.New("nobody may act: the configuration names no secret for it")
	ErrBusy      = error(busy{})
)

// busy is for who has done nothing wrong and has to ask again.
type busy struct{}

func (busy) Error() string { return "many secrets are being compared: ask again in some seconds" }

// Temporary tells it from what stays so, as with errors of package net.
func (busy) Temporary() bool { return true }

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
	Memory    *Memory          // of the Authority before this one; nil: a new one
}

// least is the shortest secret that is taken: 16 characters guessed at the
// rate of the throttle outlast any plant. *Common practice, no source.*
const least = 16

// Authority knows the secrets. Safe for concurrent use.
type Authority struct {
	*Memory
	cfg   Config
	opens func(line, given string) bool // what costs time where the line is in stored form
}

// New reads the secrets once to see that they are there; they are read again
// at every question, so that they can be renewed without a restart.
func New(c Config) (*Authority, error) {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Memory == nil {
		c.Memory = NewMemory()
	}
	a := &Authority{Memory: c.Memory, cfg: c, opens: opens}
	see, seeErr := c.See.read()
	act, actErr := c.Act.read()
	err := errors.Join(named("see", seeErr), named("act", actErr))
	if err == nil && see != "" && (see == act || !IsStored(see) && opens(act, see) ||
		!IsStored(act) && opens(see, act)) {
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
	if IsStored(text) {
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
