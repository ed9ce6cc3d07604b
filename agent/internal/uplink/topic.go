package uplink

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// root is the first level of every topic.
const root = "strokebank"

// longestName keeps a whole topic far under the 65,535 bytes of MQTT 3.1.1,
// 1.5.3.
const longestName = 128

// checkName refuses what cannot stand as one level of a topic: the
// separator and wildcards of MQTT 3.1.1, 4.7.1, a leading $ (4.7.2), control
// characters, and text that is not UTF-8.
func checkName(what, name string) error {
	switch {
	case name == "":
		return fmt.Errorf("%s is empty: it is a level of every topic", what)
	case len(name) > longestName:
		return fmt.Errorf("%s is %d bytes long: at most %d fit a topic", what, len(name), longestName)
	case !utf8.ValidString(name):
		return fmt.Errorf("%s %q is not UTF-8", what, name)
	case strings.HasPrefix(name, "$"):
		return fmt.Errorf("%s %q begins with $, which brokers keep for themselves", what, name)
	case strings.IndexFunc(name, reserved) >= 0:
		return fmt.Errorf("%s %q contains one of / + # %% or a control character, which a topic level cannot hold", what, name)
	}
	return nil
}

func reserved(r rune) bool {
	return strings.ContainsRune("/+#%", r) || r < 0x20 || r >= 0x7f && r < 0xa0
}

// level makes any text one topic level, each text another one: what checkName
// refuses is written as % and two hexadecimal digits a byte. Names from the
// configuration have been checked; this holds for sources such as a link's
// name, so that an odd one cannot stop the queue.
func level(name string) string {
	if name == "" {
		return "%"
	}
	if checkName("", name) == nil {
		return name
	}
	var b strings.Builder
	for i := 0; i < len(name); i++ {
		c := name[i]
		if c < 0x20 || c >= 0x7f || strings.IndexByte("/+#%", c) >= 0 || i == 0 && c == '$' {
			fmt.Fprintf(&b, "%%%02X", c)
			continue
		}
		b.WriteByte(c)
	}
	return b.String()
}

// topic joins the root and the levels.
func topic(levels ...string) string {
	out := root
	for _, l := range levels {
		out += "/" + level(l)
	}
	return out
}
