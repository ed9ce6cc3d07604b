package authority

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"sync"

	"strokebank/rules"
)

// Memory is what an Authority learns while it runs: who guesses, who has
// entered, and which secrets were right. Given to the Authority of a
// configuration that was read again it lives on. Safe for concurrent use.
type Memory struct {
	key [32]byte // of all that is kept of secrets; new with every process

	mu    sync.Mutex
	wrong map[string]*failures // by place
	names map[string]*failures // by the name that was given
	all   *failures            // of all places together
	known []string             // addresses that have entered, the newest last

	right  map[rules.Role][32]byte    // the sum of what opened a role last
	asked  map[[32]byte]chan struct{} // what is being derived or waits for its turn, each closed at its end
	joined int                        // how many wait for the end of another's
	turn   chan struct{}              // one derivation at a time: a flood of guesses takes one core at most
}

// NewMemory is one that has learned nothing yet.
func NewMemory() *Memory {
	m := &Memory{wrong: map[string]*failures{}, names: map[string]*failures{}, all: &failures{}, right: map[rules.Role][32]byte{},
		asked: map[[32]byte]chan struct{}{}, turn: make(chan struct{}, 1)}
	_, _ = rand.Read(m.key[:]) // it ends the program rather than fail
	return m
}

// sum stands for texts, to nobody outside this process.
func (m *Memory) sum(texts ...string) [32]byte {
	h := hmac.New(sha256.New, m.key[:])
	for _, text := range texts {
		fmt.Fprintf(h, "%d %s", len(text), text)
	}
	return [32]byte(h.Sum(nil))
}
