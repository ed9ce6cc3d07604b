package dashboard

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"strokebank/rules"
)

// pictured are the views with what they show when they are there.
var pictured = []struct{ name, query, ready string }{
	{"now", "", `document.querySelector("#at-least") !== null && document.querySelector(".events li") !== null`},
	{"machines", "?view=machines&unit=AU-7&machine=pump2", `document.querySelector(".one .run") !== null && document.querySelector(".pairwork .over") !== null`},
	{"trends", "?view=trends&unit=AU-7&span=8h", coursesThere},
	{"proof", "?view=proof&unit=AU-7", `document.querySelector(".records li") !== null`},
	{"suppose", "?view=suppose&unit=AU-7&add=XV-5+like+XV-1&pressure=8.21+bar", `document.querySelector(".would") !== null`},
	{"journal", "?view=journal&unit=AU-7", `document.querySelector(".found li") !== null`},
}

// pictures is where they go: the folder of DASHBOARD_PICTURES, or one that is
// kept only as long as the test's artifacts are.
func pictures(t testing.TB) string {
	if folder := os.Getenv("DASHBOARD_PICTURES"); folder != "" {
		return folder
	}
	return t.ArtifactDir()
}

// picture writes the whole page as it is seen.
func (r *reader) picture(name string) {
	r.t.Helper()
	png, err := chromedp.Run(r.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		r.t.Fatal(err)
	}
	path := filepath.Join(pictures(r.t), name+".png")
	if err := os.WriteFile(path, png, 0o600); err != nil {
		r.t.Fatal(err)
	}
	r.t.Log(path)
}

// Every view in every state at three widths, by day; and by night at one: for
// a person to look at. Each must fit its screen, write no error and ask nobody
// else.
func TestPictures(t *testing.T) {
	ctx := browser(t)
	for _, s := range []struct {
		name string
		of   func(time.Time) *rules.Assessment
	}{{"normal", stored}, {"alarm", short}, {"mains-lost", dark}, {"transmitter-lost", blind}} {
		p, _ := before{t, ctx, 1280}.opens(s.of)
		for _, v := range pictured {
			t.Run(v.name+" "+s.name, func(t *testing.T) {
				for _, width := range []int64{390, 1280, 1920} {
					r := p.at(t, ctx, v.query, width, 900)
					r.wait(v.ready)
					r.quiet()
					r.picture(fmt.Sprintf("%s-%s-%d", v.name, s.name, width))
					if width == 1280 {
						r.night()
						r.picture(fmt.Sprintf("%s-%s-night-%d", v.name, s.name, width))
					}
				}
			})
		}
	}
}

// What a person sees besides: other units, a finger on a course, a dialog, a
// test under way, an agent that is gone.
func TestMorePictures(t *testing.T) {
	ctx := browser(t)
	for _, c := range []struct {
		name  string
		of    func(time.Time) *rules.Assessment
		query string
		width int64
		then  func(*reader, *plant)
	}{
		{"now-us", short, "", 390, func(r *reader, _ *plant) { r.alive(); r.press("#us") }},
		{"machines-us", stored, pictured[1].query, 1280, func(r *reader, _ *plant) { r.wait(pictured[1].ready); r.press("#us") }},
		{"machines-compressor", stored, "?view=machines&unit=AU-7&machine=compressor2&span=1y", 1280, func(r *reader, _ *plant) { r.wait(pictured[1].ready) }},
		{"trends-year", stored, "?view=trends&unit=AU-7&span=1y", 1280, func(r *reader, _ *plant) { r.wait(coursesThere) }},
		{"trends-read", stored, "?view=trends&unit=AU-7&span=1d", 1280, func(r *reader, _ *plant) { r.wait(coursesThere); r.point(0.3) }},
		{"proof-test", tested, pictured[3].query, 1280, func(r *reader, _ *plant) { r.wait(pictured[3].ready) }},
		{"dialog", stored, pictured[1].query, 1280, func(r *reader, _ *plant) {
			r.wait(`document.querySelector('button[data-order="exchange_machine"]') !== null`)
			r.press(`button[data-order="exchange_machine"]`)
		}},
		{"killed", short, "", 1280, func(r *reader, p *plant) {
			r.alive()
			p.stop()
			r.wait(`document.body.classList.contains("lost")`)
		}},
		{"killed-machines", short, pictured[1].query, 1280, func(r *reader, p *plant) {
			r.wait(pictured[1].ready)
			p.stop()
			r.wait(`document.body.classList.contains("lost")`)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, p, _ := before{t, ctx, c.width}.sits(c.of, c.query)
			c.then(r, p)
			if over := see[int](r, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
				t.Errorf("the page is %d px wider than the screen", over)
			}
			r.picture(c.name)
		})
	}
}

// tested has a test under way.
func tested(t time.Time) *rules.Assessment {
	a := stored(t)
	a.Test = withTests(&book{}, t).entries[0].Record.Clone()
	a.Test.Begin, a.Test.End = t.Add(-20*time.Minute), time.Time{}
	return a
}
