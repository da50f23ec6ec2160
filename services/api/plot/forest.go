package plot

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Forest shows the differences of all stations with their intervals.
type Forest struct {
	Rows []ForestRow
	// Under must stand below.
	Under []string
}

// ForestRow is one station. Meters per run that started not cleaned.
type ForestRow struct {
	Name             string
	Value, Low, High float64
	Grade            int
	GradeName        string
	None             bool // no number
}

// Title of the figure.
func (f Forest) Title() string {
	return "Difference in waste of runs that started not cleaned, by station"
}

// Description in words.
func (f Forest) Description() string {
	var out []string
	for _, r := range f.Rows {
		if r.None {
			out = append(out, r.Name+": no number")
			continue
		}
		out = append(out, fmt.Sprintf("%s: %s m (%s to %s), grade %d %s", r.Name, meters(r.Value), meters(r.Low), meters(r.High), r.Grade, r.GradeName))
	}
	return "Meters of waste per run, with 95 % intervals. " + strings.Join(out, "; ") + "."
}

func (f Forest) lines() []string {
	return append([]string{"m per run that started with the station not cleaned, 95 % intervals. Filled: grade 2 or more; ring: none seen."}, f.Under...)
}

const forestRow = vg.Length(20)

func (f Forest) size() (w, h vg.Length) {
	return 18 * vg.Centimeter, forestRow*vg.Length(len(f.Rows)) + 46
}

func meters(v float64) string {
	switch a := math.Abs(v); {
	case a >= 1e6:
		return "more than 1 000 000"
	case a >= 99.95:
		return number(v, 0)
	}
	return number(v, 1)
}

func (f Forest) draw(c draw.Canvas) {
	p := newPlot()
	lo, hi := -1.0, 1.0
	var narrow []float64
	for _, r := range f.Rows {
		if !r.None {
			lo, hi = math.Min(lo, r.Value), math.Max(hi, r.Value)
			narrow = append(narrow, r.High-r.Low)
		}
	}
	// One very wide interval must not flatten the others: the axis ends at
	// three times the second widest, and an arrow says that it goes on.
	cap := secondWidest(narrow) * 1.5
	for _, r := range f.Rows {
		if !r.None {
			lo, hi = math.Min(lo, math.Max(r.Low, r.Value-cap)), math.Max(hi, math.Min(r.High, r.Value+cap))
		}
	}
	p.X.Min, p.X.Max = lo-0.04*(hi-lo), hi+0.04*(hi-lo)
	p.Y.Min, p.Y.Max = -0.5, float64(len(f.Rows))-0.5
	p.X.Label.Text = "difference in waste, m a run"
	p.HideY()
	small, left, right := style(textSize, ink, text.XLeft, text.YCenter), vg.Length(0), vg.Length(0)
	values := make([]string, len(f.Rows))
	for i, r := range f.Rows {
		if values[i] = "no number"; !r.None {
			values[i] = fmt.Sprintf("%s (%s to %s)  %d", meters(r.Value), meters(r.Low), meters(r.High), r.Grade)
		}
		left, right = max(left, small.Width(r.Name)), max(right, small.Width(values[i]))
	}
	p.Add(custom(func(d draw.Canvas, x, y func(float64) vg.Length) {
		d.StrokeLine2(line(gray, 0.8, 3, 3), x(0), d.Min.Y, x(0), d.Max.Y)
		for i, r := range f.Rows {
			at := y(float64(len(f.Rows) - 1 - i))
			if i%2 == 0 {
				rect(d, paleRow, c.Min.X, at-forestRow/2, c.Max.X, at+forestRow/2)
				d.StrokeLine2(line(gray, 0.8, 3, 3), x(0), at-forestRow/2, x(0), at+forestRow/2)
			}
			d.FillText(small, vg.Point{X: c.Min.X + 3, Y: at}, r.Name)
			end := small
			end.XAlign = text.XRight
			d.FillText(end, vg.Point{X: c.Max.X - 3, Y: at}, values[i])
			if r.None {
				continue
			}
			tone := ink
			if r.Grade >= 2 {
				tone = vermilion
				if r.Value < 0 {
					tone = blue
				}
			}
			from, to := clamp(r.Low, &p.X), clamp(r.High, &p.X)
			d.StrokeLine2(line(tone, 1.6), x(from), at, x(to), at)
			for _, e := range []struct{ v, shown, dir float64 }{{r.Low, from, -1}, {r.High, to, 1}} {
				if e.v == e.shown {
					d.StrokeLine2(line(tone, 1.6), x(e.shown), at-3.5, x(e.shown), at+3.5)
					continue
				}
				tip, back := x(e.shown), vg.Length(-6*e.dir) // goes on
				d.StrokeLines(line(tone, 1.6), []vg.Point{{X: tip + back, Y: at + 4}, {X: tip, Y: at}, {X: tip + back, Y: at - 4}})
			}
			shape := draw.GlyphDrawer(draw.CircleGlyph{})
			if r.Grade < 2 {
				d.DrawGlyph(draw.GlyphStyle{Color: white, Radius: 3.6, Shape: shape}, vg.Point{X: x(r.Value), Y: at})
				shape = draw.RingGlyph{}
			}
			d.DrawGlyph(draw.GlyphStyle{Color: tone, Radius: 3.6, Shape: shape}, vg.Point{X: x(r.Value), Y: at})
		}
	}))
	head := style(smallSize, gray, text.XRight, text.YTop)
	c.FillText(head, vg.Point{X: c.Max.X - 3, Y: c.Max.Y}, "m (95 %)  grade")
	p.Draw(draw.Crop(c, left+10, -right-14, 0, -14))
}

func secondWidest(w []float64) float64 {
	first, second := 0.0, 0.0
	for _, v := range w {
		if v > first {
			first, second = v, first
		} else if v > second {
			second = v
		}
	}
	if second == 0 {
		return first
	}
	return second
}

var _ plot.Plotter = custom(nil)
