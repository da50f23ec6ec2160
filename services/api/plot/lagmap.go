package plot

import (
	"fmt"
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// LagMap shows station by lag: how far waste of later runs goes with a missed
// clean, in units of what shifting gives.
type LagMap struct {
	Names []string
	// T[station][lag], and the q-value of the false discovery rate.
	T, Q [][]float64
}

// marked is the q below which a cell is marked.
const marked = 0.10

// Title of the figure.
func (m LagMap) Title() string {
	return "Waste of later runs by station and lag: to look at, not to act on"
}

// Description in words.
func (m LagMap) Description() string {
	var out []string
	for s, name := range m.Names {
		for lag, q := range m.Q[s] {
			if q <= marked {
				out = append(out, fmt.Sprintf("%s at lag %d (%s waste, q %.3f)", name, lag, moreLess(m.T[s][lag]), q))
			}
		}
	}
	if len(out) == 0 {
		return fmt.Sprintf("%d stations by lag. No cell has a q-value of 0.10 or less.", len(m.Names))
	}
	return fmt.Sprintf("%d stations by lag. Cells with a q-value of 0.10 or less: %s.", len(m.Names), strings.Join(out, "; "))
}

func moreLess(t float64) string {
	if t < 0 {
		return "less"
	}
	return "more"
}

func (m LagMap) lines() []string {
	return []string{
		"Lag 0 is the run that started not cleaned, lag 1 the next run of the press. Plus: more waste, minus: less, the darker the further from what shifting gives; black dot: q ≤ 0.10 over all cells.",
		"Many cells are looked at here: one that stands out is a place to look, not a finding.",
	}
}

const mapRow = vg.Length(22)

func (m LagMap) size() (w, h vg.Length) {
	return 18 * vg.Centimeter, mapRow*vg.Length(len(m.Names)) + 62
}

// diverging goes from blue through white to vermilion; lightness falls alike
// on both sides.
func diverging(t float64) color.Color {
	t = math.Max(-1, math.Min(1, t))
	end := vermilion
	if t < 0 {
		end, t = blue, -t
	}
	mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + t*(float64(b)-float64(a)))) }
	return color.NRGBA{mix(0xFF, end.R), mix(0xFF, end.G), mix(0xFF, end.B), 0xFF}
}

func (m LagMap) draw(c draw.Canvas) {
	label := style(textSize, ink, text.XRight, text.YCenter)
	left, lags := vg.Length(0), 1
	top := 3.0
	for s, name := range m.Names {
		left = max(left, label.Width(name))
		lags = max(lags, len(m.T[s]))
		for _, t := range m.T[s] {
			top = math.Max(top, math.Abs(t))
		}
	}
	left += 8
	x0, x1, y1 := c.Min.X+left, c.Max.X-2, c.Max.Y-2
	step := (x1 - x0) / vg.Length(lags)
	sign := style(smallSize, ink, text.XCenter, text.YCenter)
	for s, name := range m.Names {
		y := y1 - mapRow*vg.Length(s)
		c.FillText(label, vg.Point{X: x0 - 6, Y: y - mapRow/2}, name)
		for lag, t := range m.T[s] {
			x := x0 + step*vg.Length(lag)
			rect(c, diverging(t/top), x, y-mapRow, x+step, y)
			box := []vg.Point{{X: x, Y: y}, {X: x + step, Y: y}, {X: x + step, Y: y - mapRow}, {X: x, Y: y - mapRow}, {X: x, Y: y}}
			c.StrokeLines(line(pale, 0.5), box)
			mark := "+"
			if t < 0 {
				mark = "−"
			}
			mid := vg.Point{X: x + step/2, Y: y - mapRow/2}
			switch {
			case m.Q[s][lag] <= marked:
				c.DrawGlyph(draw.GlyphStyle{Color: color.Black, Radius: 3.5, Shape: draw.CircleGlyph{}}, mid)
			case math.Abs(t) >= 1:
				c.FillText(sign, mid, mark)
			}
		}
	}
	y := y1 - mapRow*vg.Length(len(m.Names))
	tick := style(textSize, ink, text.XCenter, text.YTop)
	for lag := range lags {
		c.FillText(tick, vg.Point{X: x0 + step*(vg.Length(lag)+0.5), Y: y - 4}, fmt.Sprint(lag))
	}
	c.FillText(tick, vg.Point{X: (x0 + x1) / 2, Y: y - 20}, "lag, runs of the press")
	// The scale.
	const cells, wide = 21, vg.Length(90)
	for i := range cells {
		from := x0 + wide*vg.Length(i)/cells
		rect(c, diverging(2*float64(i)/(cells-1)-1), from, c.Min.Y+2, from+wide/cells+0.3, c.Min.Y+12)
	}
	c.StrokeLines(line(pale, 0.5), []vg.Point{{X: x0, Y: c.Min.Y + 2}, {X: x0 + wide, Y: c.Min.Y + 2}, {X: x0 + wide, Y: c.Min.Y + 12}, {X: x0, Y: c.Min.Y + 12}, {X: x0, Y: c.Min.Y + 2}})
	small := style(smallSize, ink, text.XLeft, text.YCenter)
	c.FillText(small, vg.Point{X: x0 + wide + 6, Y: c.Min.Y + 7}, fmt.Sprintf("statistic from %s (less waste) to %s (more)", number(-top, 1), number(top, 1)))
}
