package configs

import (
	"bytes"
	"testing"
)

func TestExamples(t *testing.T) {
	for _, name := range []string{"quillen-reach", "dunmorrow-flats", "every-key"} {
		t.Run(name, func(t *testing.T) {
			text, err := Example(name)
			if err != nil {
				t.Fatal(err)
			}
			c, err := Parse(bytes.NewReader(text))
			if err != nil {
				t.Fatalf("Parse:\n%v", err)
			}
			t.Logf("%+v", c.Units[0].Rules)
			t.Logf("%+v", c.Units[0].Points)
		})
	}
}
