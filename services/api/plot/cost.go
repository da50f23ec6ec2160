package plot

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Cost shows what cleaning every so many km costs.
type Cost struct {
	Station, Currency string
	Points            []CostPoint
	Today             float64 // km
	From, To          float64 // within 5 % of the least; 0: no answer
	Maker             float64 // the maker's interval, km; 0: not known
	Refused           []string
	Under             []string
}

// CostPoint is the cost a km of web when cleaning every Km.
type CostPoint struct{ Km, Cost, Low, High float64 }

// Title of the figure.
func (f Cost) Title() string {
	if len(f.Refused) > 0 {
		return "Cost by cleaning interval of " + f.Station + ": refused, see below"
	}
	return "Cost by cleaning interval of " + f.Station
}

// Description in words.
func (f Cost) Description() string {
	a, b := f.Points[0], f.Points[len(f.Points)-1]
	s := fmt.Sprintf("Cost of cleaning and of waste grown since, %s a km of web, from %.4g at every %.1f km to %.4g at every %.1f km; today's practice is %.1f km.", f.Currency, a.Cost, a.Km, b.Cost, b.Km, f.Today)
	if f.To > 0 && len(f.Refused) == 0 {
		s += fmt.Sprintf(" From %.1f to %.1f km the cost is within 5 %% of the least.", f.From, f.To)
	}
	for _, r := range f.Refused {
		s += " Refused: " + r + "."
	}
	return s
}

func (f Cost) lines() []string {
	out := []string{"Band: over the 95 % interval of the growth and the stated ranges of the costs."}
	for _, r := range f.Refused {
		out = append(out, "Refused: "+r+".")
	}
	return append(out, f.Under...)
}

func (Cost) size() (w, h vg.Length) { return 16 * vg.Centimeter, 8.5 * vg.Centimeter }

func (f Cost) draw(c draw.Canvas) {
	p := newPlot()
	least := math.Inf(1)
	for _, q := range f.Points {
		least = math.Min(least, q.Cost)
		p.Y.Max = math.Max(p.Y.Max, q.Cost*1.15)
	}
	for _, q := range f.Points {
		p.Y.Max = math.Max(p.Y.Max, math.Min(q.High, 2.5*least)*1.1)
	}
	p.X.Min, p.X.Max = 0, f.Points[len(f.Points)-1].Km*1.03
	if f.Maker > 0 && f.Maker < 1.5*p.X.Max {
		p.X.Max = math.Max(p.X.Max, f.Maker*1.05)
	}
	p.Y.Min = 0
	p.X.Label.Text, p.Y.Label.Text = "clean every … km of web", f.Currency+" a km of web"
	p.Add(custom(func(k draw.Canvas, x, y func(float64) vg.Length) {
		if f.To > 0 && len(f.Refused) == 0 {
			rect(k, paleSky, x(f.From), k.Min.Y, x(f.To), k.Max.Y)
		}
		var band, curve, back []vg.Point
		for _, q := range f.Points {
			band = append(band, vg.Point{X: x(q.Km), Y: y(clamp(q.Low, &p.Y))})
			back = append(back, vg.Point{X: x(q.Km), Y: y(clamp(q.High, &p.Y))})
			curve = append(curve, vg.Point{X: x(q.Km), Y: y(clamp(q.Cost, &p.Y))})
		}
		for i := len(back) - 1; i >= 0; i-- {
			band = append(band, back[i])
		}
		k.FillPolygon(paleBlue, band)
		k.StrokeLines(line(blue, 2), curve)
		level := k.Max.Y - 2
		say := func(km float64, label string, tone draw.LineStyle) {
			if !(km > 0) || km > p.X.Max {
				return
			}
			k.StrokeLine2(tone, x(km), k.Min.Y, x(km), k.Max.Y)
			side, off := text.XLeft, vg.Length(4)
			if km > 0.7*p.X.Max {
				side, off = text.XRight, -4
			}
			k.FillText(style(smallSize, ink, side, text.YTop), vg.Point{X: x(km) + off, Y: level}, label)
			level -= 14
		}
		say(f.Today, fmt.Sprintf("today: %.1f km", f.Today), line(ink, 1.2, 4, 2))
		say(f.Maker, fmt.Sprintf("maker's interval: %.1f km", f.Maker), line(vermilion, 1.8))
		if f.To > 0 && len(f.Refused) == 0 {
			k.FillText(style(smallSize, ink, text.XCenter, text.YBottom), vg.Point{X: (x(f.From) + x(f.To)) / 2, Y: k.Min.Y + 3}, "within 5 % of the least")
		}
	}))
	p.Draw(c)
}
