package dashboard

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// luminance and contrast follow WCAG 2.2, "relative luminance" and "contrast
// ratio" (from memory).
func luminance(hex string) float64 {
	n, _ := strconv.ParseUint(hex, 16, 32)
	part := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(a, b string) float64 {
	hi, lo := luminance(a), luminance(b)
	if hi < lo {
		hi, lo = lo, hi
	}
	return (hi + 0.05) / (lo + 0.05)
}

var declared = regexp.MustCompile(`--([a-z0-9]+): #([0-9a-f]{6});`)

func colours(t *testing.T, block string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, m := range declared.FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	if len(out) < 15 {
		t.Fatalf("%d colours", len(out))
	}
	return out
}

// TestContrast holds WCAG 2.2 AA: 4.5 for text (1.4.3), 3 for what carries
// meaning without being text (1.4.11).
func TestContrast(t *testing.T) {
	if c := contrast("000000", "ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white is %v, not 21", c)
	}
	css, err := embedded.ReadFile("assets/style.css")
	if err != nil {
		t.Fatal(err)
	}
	light, rest, ok := strings.Cut(string(css), "@media (prefers-color-scheme: dark)")
	dark, body, _ := strings.Cut(rest, "\n}\n")
	if !ok {
		t.Fatal("no dark colours")
	}
	if found := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b[^{]*;`).FindString(body); found != "" {
		t.Errorf("a colour outside the two lists: %s", found)
	}
	pairs := []struct {
		front, back string
		least       float64
	}{
		{"text", "ground", 4.5}, {"text", "sunk", 4.5}, {"soft", "ground", 4.5}, {"soft", "sunk", 4.5},
		{"high", "ground", 4.5}, {"medium", "ground", 4.5}, {"low", "ground", 4.5}, {"onalert", "alert", 4.5},
		{"onoil", "oil", 4.5}, {"text", "air", 4.5}, {"ground", "bar", 4.5},
		{"edge", "ground", 3}, {"focus", "ground", 3}, {"oil", "air", 3}, {"bar", "bar2", 3}, {"bar2", "ground", 3}, {"bar", "ground", 3},
	}
	for name, block := range map[string]string{"light": light, "dark": dark} {
		c := colours(t, block)
		for _, p := range pairs {
			t.Run(name+"/"+p.front+" on "+p.back, func(t *testing.T) {
				if got := contrast(c[p.front], c[p.back]); got < p.least {
					t.Errorf("%.2f, least %.1f", got, p.least)
				}
			})
		}
	}
}
