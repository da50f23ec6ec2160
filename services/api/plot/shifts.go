package plot

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Shifts shows what shifting the cleaning against the waste gave, and what was
// seen.
type Shifts struct {
	Station string
	Draws   []float64 // |statistic| of each shift
	Seen    float64
	P       float64
}

// Title of the figure.
func (s Shifts) Title() string {
	return "What shifting the record of " + s.Station + " gave, and what was seen"
}

// Description in words.
func (s Shifts) Description() string {
	over, top := 0, 0.0
	for _, d := range s.Draws {
		top = math.Max(top, d)
		if d >= s.Seen-1e-9 {
			over++
		}
	}
	return fmt.Sprintf("Histogram of the size of the statistic over %d random shifts, of which the largest is %.2f; the statistic seen is %.2f; %d shifts reach it, p = %s.", len(s.Draws), top, s.Seen, over, pText(s.P))
}

func pText(p float64) string {
	if p < 0.0001 {
		return "less than 0.0001"
	}
	return fmt.Sprintf("%.4f", p)
}

func (s Shifts) lines() []string {
	return []string{fmt.Sprintf("Each of %d shifts moves the cleaning record of every press by a random number of runs against its waste, which keeps both records as they are and undoes what goes with what. p = (1 + shifts at or beyond the line) / (1 + shifts).", len(s.Draws))}
}

func (Shifts) size() (w, h vg.Length) { return 16 * vg.Centimeter, 7.5 * vg.Centimeter }

func (s Shifts) draw(c draw.Canvas) {
	top := s.Seen
	for _, d := range s.Draws {
		top = math.Max(top, d)
	}
	const bins = 40
	top = math.Max(top*1.02, 1e-9)
	count := make([]int, bins)
	most := 1
	for _, d := range s.Draws {
		b := min(bins-1, int(d/top*bins))
		count[b]++
		most = max(most, count[b])
	}
	p := newPlot()
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, top*1.06, 0, float64(most)*1.15
	p.X.Label.Text, p.Y.Label.Text = "size of the statistic", "shifts"
	p.Add(custom(func(k draw.Canvas, x, y func(float64) vg.Length) {
		for b, n := range count {
			if n == 0 {
				continue
			}
			from, to := top*float64(b)/bins, top*float64(b+1)/bins
			fill := paleBlue
			if from >= s.Seen {
				fill = sky
			}
			rect(k, fill, x(from), y(0), x(to), y(float64(n)))
			k.StrokeLines(line(gray, 0.4), []vg.Point{{X: x(from), Y: y(0)}, {X: x(from), Y: y(float64(n))}, {X: x(to), Y: y(float64(n))}, {X: x(to), Y: y(0)}})
		}
		k.StrokeLine2(line(vermilion, 2), x(s.Seen), k.Min.Y, x(s.Seen), k.Max.Y)
		side, off := text.XRight, vg.Length(-5)
		if s.Seen < top/2 {
			side, off = text.XLeft, 5
		}
		k.FillText(style(textSize, ink, side, text.YTop), vg.Point{X: x(s.Seen) + off, Y: k.Max.Y - 2}, fmt.Sprintf("seen: %.2f, p %s", s.Seen, pText(s.P)))
	}))
	p.Draw(c)
}
