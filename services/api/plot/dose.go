package plot

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Dose shows waste by the km run since the station's last clean.
type Dose struct {
	Station string
	Bins    []DoseBin
	Under   []string
}

// DoseBin is one bin of the clock; Ratio is to runs right after a clean.
type DoseBin struct {
	From, To         float64 // km
	Ratio, Low, High float64
	Rows             int
}

// Title of the figure.
func (d Dose) Title() string { return "Waste by km since the last clean of " + d.Station }

// Description in words.
func (d Dose) Description() string {
	var out []string
	for i, b := range d.Bins {
		over := "over"
		if i == 0 {
			over = "Over"
		}
		out = append(out, fmt.Sprintf("%s %.1f to %.1f km: %.2f times (%.2f to %.2f), %d runs", over, b.From, b.To, b.Ratio, b.Low, b.High, b.Rows))
	}
	return "Waste against runs of the same press that started right after a clean, with 95 % intervals. " + strings.Join(out, "; ") + "."
}

func (d Dose) lines() []string {
	return append([]string{"Ratio of waste to runs that started right after a clean; band: 95 % of each bin; the figures above: runs in the bin."}, d.Under...)
}

func (Dose) size() (w, h vg.Length) { return 16 * vg.Centimeter, 8.5 * vg.Centimeter }

func (d Dose) draw(c draw.Canvas) {
	p := newPlot()
	var all []float64
	for _, b := range d.Bins {
		all = append(all, b.Low, b.High)
		p.X.Max = math.Max(p.X.Max, b.To)
	}
	p.X.Min, p.X.Max = 0, d.Bins[len(d.Bins)-1].To*1.02
	ratioAxis(p, all...)
	p.Y.Max *= 1.04 // room for the counts
	p.X.Label.Text, p.Y.Label.Text = "km since the last clean, at the start of the run", "waste, ratio"
	p.Add(custom(func(k draw.Canvas, x, y func(float64) vg.Length) {
		for _, b := range d.Bins {
			rect(k, paleBlue, x(b.From), y(clamp(b.Low, &p.Y)), x(b.To), y(clamp(b.High, &p.Y)))
		}
		k.StrokeLine2(line(gray, 0.8, 3, 3), x(0), y(1), x(p.X.Max), y(1))
		for _, b := range d.Bins {
			at := y(clamp(b.Ratio, &p.Y))
			k.StrokeLine2(line(blue, 1.8), x(b.From), at, x(b.To), at)
			k.DrawGlyph(draw.GlyphStyle{Color: blue, Radius: 3.2, Shape: draw.CircleGlyph{}}, vg.Point{X: (x(b.From) + x(b.To)) / 2, Y: at})
			k.FillText(style(smallSize, gray, text.XCenter, text.YTop), vg.Point{X: (x(b.From) + x(b.To)) / 2, Y: k.Max.Y}, fmt.Sprint(b.Rows))
		}
		k.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 3.6, Shape: draw.SquareGlyph{}}, vg.Point{X: x(0) + 2, Y: y(1)})
	}))
	p.Draw(c)
}
