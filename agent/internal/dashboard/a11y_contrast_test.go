package dashboard

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"slices"

	"github.com/chromedp/chromedp"
)

// spot is something that must stand out from what lies behind it.
type spot struct {
	What   string
	Box    [4]float64 // left, top, width, height
	Colour [4]float64 // red, green, blue, 0 to 255; opacity
	Large  bool
	Rim    int // only so many px at the edge lie behind it; 0: all
}

// contrasts holds the computed colour of each text and shape against the
// pixels behind it, taken from a picture in which the texts are transparent.
func (r *reader) contrasts() (found []finding) {
	r.t.Helper()
	defer see[bool](r, `accessible.wear([])`)
	see[bool](r, `accessible.wear(["bare"])`)
	var spots, shapes []spot
	var picture image.Image
	for try := 0; ; try++ { // the page lives: what moves in between is looked at again
		spots, shapes = see[[]spot](r, `accessible.texts()`), see[[]spot](r, `accessible.shapes()`)
		data, err := chromedp.Run(r.ctx, chromedp.CaptureScreenshot())
		if err != nil {
			r.t.Fatal(err)
		}
		if picture, err = png.Decode(bytes.NewReader(data)); err != nil {
			r.t.Fatal(err)
		}
		same := func(a, b []spot) bool {
			return slices.EqualFunc(a, b, func(a, b spot) bool {
				return math.Abs(a.Box[0]-b.Box[0])+math.Abs(a.Box[1]-b.Box[1]) < 3 && a.Colour == b.Colour
			})
		}
		if same(spots, see[[]spot](r, `accessible.texts()`)) && same(shapes, see[[]spot](r, `accessible.shapes()`)) {
			break
		}
		if try == 20 {
			r.t.Fatal("the page does not stand still for a picture")
		}
	}
	if len(spots) < 3 {
		r.t.Errorf("%d texts are there to read", len(spots))
	}
	for _, s := range spots {
		least := 4.5
		if s.Large {
			least = 3
		}
		if got, on := s.against(picture); got < least {
			found = append(found, finding{"contrast", fmt.Sprintf("%.2f on #%s: %s", got, on, s.What)})
		}
	}
	for _, s := range shapes {
		if got, on := s.against(picture); got < 3 {
			found = append(found, finding{"shapes", fmt.Sprintf("%.2f on #%s: %s", got, on, s.What)})
		}
	}
	return found
}

// against is the least contrast with a colour that takes a tenth or more of
// what lies behind.
func (s spot) against(picture image.Image) (least float64, on string) {
	least, count, total := 21.0, map[color.RGBA]int{}, 0
	x0, y0, x1, y1 := int(s.Box[0]), int(s.Box[1]), int(math.Ceil(s.Box[0]+s.Box[2])), int(math.Ceil(s.Box[1]+s.Box[3]))
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			inner := x >= x0+s.Rim && x < x1-s.Rim && y >= y0+s.Rim && y < y1-s.Rim
			if s.Rim > 0 && inner || !(image.Point{x, y}).In(picture.Bounds()) {
				continue
			}
			count[color.RGBAModel.Convert(picture.At(x, y)).(color.RGBA)]++
			total++
		}
	}
	for back, n := range count {
		if n*10 < total {
			continue
		}
		b := [3]float64{float64(back.R), float64(back.G), float64(back.B)}
		var front [3]float64
		for i := range front {
			front[i] = s.Colour[i]*s.Colour[3] + b[i]*(1-s.Colour[3])
		}
		if c := contrast(sixDigits(front), sixDigits(b)); c < least {
			least, on = c, sixDigits(b)
		}
	}
	return least, on
}

func sixDigits(c [3]float64) string {
	return fmt.Sprintf("%02x%02x%02x", int(math.Round(c[0])), int(math.Round(c[1])), int(math.Round(c[2])))
}
