package plot

import (
	"fmt"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Event shows waste in the runs before and after a missed clean, and around the
// clean that followed.
type Event struct {
	Station string
	Panels  []EventPanel
	Under   []string
}

// EventPanel is one alignment. Ratios are to the run before the event.
type EventPanel struct {
	Name            string // what happens at 0
	Events, Presses int
	PLeads          float64 // of all runs before the event together; 0: not asked
	Points          []EventPoint
}

// EventPoint is the ratio at K run rows after the event; Low and High by
// itself, AllLow and AllHigh for all points together.
type EventPoint struct {
	K                                 int
	Ratio, Low, High, AllLow, AllHigh float64
}

// Title of the figure.
func (e Event) Title() string {
	return "Waste before and after a run that started with " + e.Station + " not cleaned"
}

// Description in words.
func (e Event) Description() string {
	var out []string
	for _, p := range e.Panels {
		var at []string
		for _, q := range p.Points {
			if q.K >= 0 && q.K <= 2 {
				at = append(at, fmt.Sprintf("run %d: %.2f (%.2f to %.2f)", q.K, q.Ratio, q.Low, q.High))
			}
		}
		out = append(out, fmt.Sprintf("%s, %d events on %d presses: %s", p.Name, p.Events, p.Presses, strings.Join(at, ", ")))
	}
	return "Waste as a ratio to the run before the event, with 95 % intervals. " + strings.Join(out, ". ") + "."
}

func (e Event) lines() []string {
	out := []string{"Ratio of waste to the run before the event (square). Thick bar: 95 % of each point; thin bar: 95 % of all points together."}
	for _, p := range e.Panels {
		text := fmt.Sprintf("%s: %d events on %d presses", p.Name, p.Events, p.Presses)
		if p.PLeads > 0 {
			text += fmt.Sprintf("; the runs before it, all together, differ from the last one before with p %s", Small(p.PLeads))
		}
		out = append(out, text+".")
	}
	return append(out, e.Under...)
}

func (e Event) size() (w, h vg.Length) {
	return 9.5*vg.Centimeter*vg.Length(len(e.Panels)) + 1*vg.Centimeter, 8.8 * vg.Centimeter
}

func (e Event) draw(c draw.Canvas) {
	c = draw.Crop(c, 0, 0, 0, -6)
	var all []float64
	for _, p := range e.Panels {
		for _, q := range p.Points {
			all = append(all, q.AllLow, q.AllHigh)
		}
	}
	wide := (c.Max.X - c.Min.X) / vg.Length(len(e.Panels))
	for i, panel := range e.Panels {
		p := newPlot()
		ratioAxis(p, all...)
		p.Title.Text = panel.Name
		p.Title.TextStyle.Font, p.Title.TextStyle.Handler = face(textSize, false), handler
		reach := panel.Points[len(panel.Points)-1].K
		p.X.Min, p.X.Max = -float64(reach)-0.6, float64(reach)+0.6
		p.X.Tick.Marker = runTicks(reach)
		p.X.Label.Text = "runs after the event"
		if i == 0 {
			p.Y.Label.Text = "waste, ratio"
		}
		p.Add(custom(func(k draw.Canvas, x, y func(float64) vg.Length) {
			rect(k, paleSky, x(-0.5), k.Min.Y, x(0.5), k.Max.Y)
			k.StrokeLine2(line(gray, 0.8, 3, 3), k.Min.X, y(1), k.Max.X, y(1))
			for _, q := range panel.Points {
				at := x(float64(q.K))
				if q.K == -1 {
					k.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 3.6, Shape: draw.SquareGlyph{}}, vg.Point{X: at, Y: y(1)})
					continue
				}
				tone := vermilion
				if q.K < 0 {
					tone = blue
				}
				k.StrokeLine2(line(tone, 0.8), at, y(clamp(q.AllLow, &p.Y)), at, y(clamp(q.AllHigh, &p.Y)))
				k.StrokeLine2(line(tone, 2.4), at, y(clamp(q.Low, &p.Y)), at, y(clamp(q.High, &p.Y)))
				k.DrawGlyph(draw.GlyphStyle{Color: tone, Radius: 3.4, Shape: draw.CircleGlyph{}}, vg.Point{X: at, Y: y(clamp(q.Ratio, &p.Y))})
			}
		}))
		p.Draw(draw.Crop(c, wide*vg.Length(i), -(c.Max.X - c.Min.X - wide*vg.Length(i+1)), 0, 0))
	}
}

// runTicks are whole runs; the ends stand for all beyond.
type runTicks int

// Ticks is plot.Ticker.
func (n runTicks) Ticks(lo, hi float64) (out []plot.Tick) {
	for k := -int(n); k <= int(n); k++ {
		label := ""
		switch {
		case k == int(n):
			label = fmt.Sprintf("≥%d", k)
		case k == -int(n):
			label = "≤" + number(float64(k), 0)
		case k%2 == 0 && k > -int(n)+1 && k < int(n)-1 || k == 0:
			label = number(float64(k), 0)
		}
		out = append(out, plot.Tick{Value: float64(k), Label: label})
	}
	return out
}
