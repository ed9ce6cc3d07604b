package rules

import (
	"encoding/json"
	"fmt"
	"time"

	"strokebank/rules/machine"
)

// Lifetimes reads what the machines of a unit have done from what Save gave,
// and when that was; without a state they have done what the configuration
// says.
func Lifetimes(c *Config, state []byte) (list []machine.Lifetime, at time.Time, err error) {
	var s saved
	if state != nil {
		if err := json.Unmarshal(state, &s); err != nil {
			return nil, at, fmt.Errorf("saved state of %s: %w", c.Unit, err)
		}
	}
	for i, config := range [2]*machine.PairConfig{pumps: &c.Pumps, compressors: &c.Compressors} {
		both := machine.NewPair(*config, c.ScanPeriod, &s.Pairs[i], nil).Lifetimes()
		list = append(list, both[:]...)
	}
	return list, s.Time, nil
}
