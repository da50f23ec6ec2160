package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
)

// figures are one of each kind, with values that once went wrong: very wide
// intervals, no number, a name that must be escaped.
func figures() map[string]Figure {
	var points []EventPoint
	for k := -7; k <= 7; k++ {
		r := 1 + 0.1/float64(1+k*k)
		points = append(points, EventPoint{k, r, r * 0.95, r * 1.05, r * 0.9, r * 1.1})
	}
	var cost []CostPoint
	for km := 10.0; km < 110; km += 5 {
		c := 16/km + 0.004*km
		cost = append(cost, CostPoint{km, c, c * 0.7, c * 1.5})
	}
	var draws []float64
	for i := range 999 {
		draws = append(draws, math.Abs(math.Sin(float64(i)))*3)
	}
	return map[string]Figure{
		"forest": Forest{Rows: []ForestRow{{Name: "uv-1", Value: 26.6, Low: 13.7, High: 39, Grade: 3, GradeName: "consistent"}, {Name: "a < b & c", Value: 2, Low: -900, High: 4000, Grade: 1, GradeName: "none seen"},
			{Name: "nip-rollers", None: true}, {Name: "uv-2", Value: -3, Low: -20, High: 13, Grade: 1, GradeName: "none seen"}, {Name: "less", Value: -30, Low: -40, High: -20, Grade: 2, GradeName: "suggestive"}}},
		"forest-empty": Forest{Rows: []ForestRow{{Name: "a", None: true}}},
		"map":          LagMap{Names: []string{"uv-1", "uv-2"}, T: [][]float64{{4.1, -1.2, 0}, {0.3, 2, -3}}, Q: [][]float64{{0.006, 0.9, 1}, {0.9, 0.5, 0.2}}},
		"dose":         Dose{Station: "uv-1", Bins: []DoseBin{{1, 20, 1.04, 0.96, 1.13, 40}, {20, 112, 1.11, 0.01, 40, 39}}, Under: []string{"The last bins are survivors."}},
		"event":        Event{Station: "uv-1", Panels: []EventPanel{{"0: first run not cleaned", 111, 12, 0.05, points}, {"0: first run cleaned again", 150, 12, 0, points}}},
		"event-one":    Event{Station: "uv-1", Panels: []EventPanel{{"0: first run not cleaned", 111, 12, 0.05, points}}},
		"shifts":       Shifts{Station: "uv-1", Draws: draws, Seen: 4.07, P: 0.001},
		"shifts-low":   Shifts{Station: "uv-1", Draws: draws, Seen: 0.2, P: 0.9},
		"cost":         Cost{Station: "nip-rollers", Currency: "EUR", Points: cost, Today: 48, From: 50, To: 80, Maker: 90},
		"cost-refused": Cost{Station: "nip-rollers", Currency: "EUR", Points: cost, Today: 48, Refused: []string{"12 gaps on 2 presses"}},
	}
}

// TestFigures: every figure is the same twice, is a well-formed SVG with title
// and description that asks nothing of anywhere and in which every text has its
// width, and a PNG of the same shape; what is written says no more than an
// observational study may. DOWNWEB_SCREENSHOTS=DIR keeps them.
func TestFigures(t *testing.T) {
	for name, f := range figures() {
		svg, err := SVG(f)
		if err != nil {
			t.Fatal(err)
		}
		again, _ := SVG(f)
		pic, err := PNG(f)
		if err != nil {
			t.Fatal(err)
		}
		pic2, _ := PNG(f)
		if !bytes.Equal(svg, again) || !bytes.Equal(pic, pic2) {
			t.Errorf("%s: not the same twice", name)
		}
		if dir := os.Getenv("DOWNWEB_SCREENSHOTS"); dir != "" {
			for ext, b := range map[string][]byte{".svg": svg, ".png": pic} {
				if err := os.WriteFile(filepath.Join(dir, "plot-"+name+ext), b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
		said := readSVG(t, name, svg)
		for _, want := range []string{f.Title(), f.Description()} {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is not in it", name, want)
			}
		}
		for _, text := range append(f.lines(), said) {
			if bad := study.ForbiddenWords(text); bad != nil {
				t.Errorf("%s says %q", name, bad)
			}
		}
		if strings.Contains(string(svg), "NaN") || strings.Contains(string(svg), "Inf") {
			t.Errorf("%s holds a number that is none", name)
		}
		img, err := png.DecodeConfig(bytes.NewReader(pic))
		if err != nil || img.Width < 500 || img.Height < 200 {
			t.Errorf("%s: %v %v", name, img, err)
		}
	}
}

// readSVG checks the document and returns its texts.
func readSVG(t *testing.T, name string, svg []byte) string {
	t.Helper()
	var text strings.Builder
	d := xml.NewDecoder(bytes.NewReader(svg))
	first := true
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return text.String()
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			has := map[string]string{}
			for _, a := range x.Attr {
				has[a.Name.Local] = a.Value
				if a.Name.Local == "href" || strings.Contains(a.Value, "url(") {
					t.Errorf("%s: <%s> refers to %q", name, x.Name.Local, a.Value)
				}
			}
			if first && (x.Name.Local != "svg" || has["role"] != "img" || has["viewBox"] == "") {
				t.Errorf("%s begins with %v", name, x)
			}
			first = false
			if x.Name.Local == "text" && (has["textLength"] == "" || !strings.Contains(has["style"], "sans-serif")) {
				t.Errorf("%s: a text without its width: %v", name, x.Attr)
			}
		case xml.CharData:
			text.Write(x)
		}
	}
}

// TestTicks: a handful of round numbers inside the axis, no minus zero, a true
// minus sign.
func TestTicks(t *testing.T) {
	for _, a := range [][2]float64{{0, 1}, {-47.7, 58}, {0, 3200}, {0, 0.0031}, {12, 13.1}} {
		got := ticks{}.Ticks(a[0], a[1])
		if len(got) < 3 || len(got) > 9 {
			t.Errorf("%v: %d ticks", a, len(got))
		}
		seen := map[string]bool{}
		for _, x := range got {
			if x.Value < a[0]-1e-9 || x.Value > a[1]+1e-9 || seen[x.Label] || strings.Contains(x.Label, "-") {
				t.Errorf("%v: %+v", a, x)
			}
			seen[x.Label] = true
		}
	}
}
