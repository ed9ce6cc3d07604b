package configs

import (
	"embed"
	"fmt"
)

//go:embed quillen-reach.yaml dunmorrow-flats.yaml every-key.yaml
var examples embed.FS

// Example is the text of an example file by its name without the ending:
// "quillen-reach", "dunmorrow-flats" or "every-key".
func Example(name string) ([]byte, error) {
	text, err := examples.ReadFile(name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("no example configuration is called %q", name)
	}
	return text, nil
}
