package uplink

import (
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"
)

// FuzzCommandMessage: whatever comes in is answered in words that the
// reference knows, and is carried out only with the right nonce and secret.
func FuzzCommandMessage(f *testing.F) {
	right := `{"id":"1","nonce":"THE-NONCE-OF-NOW","secret":"` + actSecret + `","command":"acknowledge","alarm":"low_pressure","by":"x"}`
	for _, seed := range []string{right, `{}`, `[]`, `{"id":1}`, `null`, "", strings.Replace(right, "THE", "AN", 1), right + right, `{"id":"` + strings.Repeat("a", 200) + `"}`} {
		f.Add([]byte(seed), false)
		f.Add([]byte(seed), true)
	}
	f.Fuzz(func(t *testing.T, payload []byte, retained bool) {
		c := &clerk{}
		s := &session{nonce: "THE-NONCE-OF-NOW", u: &Uplink{log: slog.New(slog.DiscardHandler), cfg: Config{Commands: CommandsSecret, Commander: c, Gate: keyring{}, CommandWait: time.Second}}}
		used := map[string]bool{}
		out := s.answer(t.Context(), incoming{"AU-7", retained, payload}, used)
		if !out.Accepted && out.Why == "" {
			t.Errorf("refused without a reason: %q", payload)
		}
		for _, text := range []string{out.ID, out.Why} {
			if strings.ContainsFunc(text, func(r rune) bool { return r < 0x20 }) || len(text) > 300 {
				t.Errorf("the answer says %q", text)
			}
		}
		var r request
		_ = json.Unmarshal(payload, &r)
		if c.count() > 0 && (retained || r.Nonce != s.nonce || r.Secret != actSecret) {
			t.Errorf("carried out: %s", payload)
		}
		if again := s.answer(t.Context(), incoming{"AU-7", retained, payload}, used); again.Accepted {
			t.Errorf("carried out twice: %s", payload)
		}
	})
}
