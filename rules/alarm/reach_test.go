package alarm

import "testing"

// Every reach belongs to a pair that the catalogue explains, so that none is
// left behind when a row changes; and what explains never runs in a circle.
func TestReachesBelongToTheCatalogue(t *testing.T) {
	explains := map[pair]bool{}
	follows := map[string][]string{}
	for _, d := range Catalogue() {
		for _, to := range d.Explains {
			explains[pair{d.Name, to}] = true
		}
		follows[d.Name] = d.Explains
	}
	for p, r := range reaches {
		if !explains[p] {
			t.Errorf("%s to %s has a reach and no row that explains", p.from, p.to)
		}
		if r == SameSource {
			t.Errorf("%s to %s: the same source needs no entry", p.from, p.to)
		}
	}
	var walk func(path []string, name string)
	walk = func(path []string, name string) {
		if contains(path, name) {
			t.Fatalf("%v explain each other in a circle", append(path, name))
		}
		for _, next := range follows[name] {
			walk(append(path, name), next)
		}
	}
	for name := range follows {
		walk(nil, name)
	}
}

func TestReachOf(t *testing.T) {
	mains, _ := Find(MainsLost)
	over, _ := Find(Overload)
	for _, c := range []struct {
		name string
		from Definition
		to   string
		want Reach
		ok   bool
	}{
		{"mains and a machine", mains, FailedToStart, WholeUnit, true},
		{"overload and its machine", over, FailedToStart, SameSource, true},
		{"mains and the level", mains, LowLevel, "", false},
	} {
		if r, ok := ReachOf(c.from, c.to); r != c.want || ok != c.ok {
			t.Errorf("%s: %q %v", c.name, r, ok)
		}
	}
}
