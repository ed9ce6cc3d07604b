package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The README is what a stranger has: every file that it links to is there, and
// every command that it names exists.
func TestReadmeIsTrue(t *testing.T) {
	for _, page := range []string{"README.md", "DEVELOPERS.md", "deploy/broker/README.md", "deploy/fleet.md"} {
		text, err := os.ReadFile(filepath.Join("..", page))
		if err != nil {
			t.Fatal(err)
		}
		for _, link := range regexp.MustCompile(`\]\(([^)#:]+)\)`).FindAllStringSubmatch(string(text), -1) {
			if _, err := os.Stat(filepath.Join("..", filepath.Dir(page), link[1])); err != nil {
				t.Errorf("%s links to %s, which is not there", page, link[1])
			}
		}
		for _, script := range regexp.MustCompile("(?m)(?:^    |`)((?:deploy|\\.ci)/[a-z]+)\\b").FindAllStringSubmatch(string(text), -1) {
			if info, err := os.Stat(filepath.Join("..", script[1])); err != nil || !info.IsDir() && info.Mode()&0o111 == 0 {
				t.Errorf("%s names %s, which cannot be run", page, script[1])
			}
		}
		for _, word := range regexp.MustCompile(`(?m)^    (?:\$ )?(?:strokebank|go run \./agent) ([a-z]+)`).FindAllStringSubmatch(string(text), -1) {
			known := slices.ContainsFunc(commands(), func(c command) bool { return c.name == word[1] })
			if !known && word[1] != "help" {
				t.Errorf("%s names the command %s, which does not exist", page, word[1])
			}
		}
	}
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range commands() {
		if c.name != "version" && !strings.Contains(string(readme), c.name) {
			t.Errorf("the README does not mention %s", c.name)
		}
	}
}
