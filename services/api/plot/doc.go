// Package plot draws the figures of a study as SVG and PNG.
//
// It takes plain numbers and promises: the same numbers give the same bytes;
// nothing is told by color alone; every figure carries the lines that must stand
// under it, and a description in words for those who do not see it. Colors are
// those of Okabe and Ito (Color Universal Design, 2008), which people with the
// usual forms of color blindness tell apart; they differ in lightness, so that
// a print in gray can be read too.
package plot

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Figure draws itself.
type Figure interface {
	// Title in a few words.
	Title() string
	// Description says what the figure shows, in words.
	Description() string
	// lines must stand under the figure.
	lines() []string
	// size of the drawing without title and lines.
	size() (w, h vg.Length)
	draw(c draw.Canvas)
}

var (
	blue      = color.NRGBA{0x00, 0x72, 0xB2, 0xFF}
	vermilion = color.NRGBA{0xD5, 0x5E, 0x00, 0xFF}
	sky       = color.NRGBA{0x56, 0xB4, 0xE9, 0xFF}
	ink       = color.NRGBA{0x22, 0x22, 0x22, 0xFF}
	gray      = color.NRGBA{0x70, 0x70, 0x70, 0xFF}
	pale      = color.NRGBA{0xD9, 0xD9, 0xD9, 0xFF}
	paleBlue  = color.NRGBA{0xC6, 0xDE, 0xEE, 0xFF}
	paleSky   = color.NRGBA{0xE6, 0xF1, 0xF8, 0xFF}
	paleRow   = color.NRGBA{0xF4, 0xF4, 0xF4, 0xFF}
	white     = color.NRGBA{0xFF, 0xFF, 0xFF, 0xFF}
)

const (
	textSize  = 11
	smallSize = 9.5
	titleSize = 12.5
	margin    = vg.Length(10)
	dpi       = 144
)

func face(size float64, bold bool) font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(size)}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return f
}

// handler measures and draws text; its cache of faces is not made for several
// goroutines at once.
var (
	drawing sync.Mutex
	handler = text.Plain{Fonts: font.DefaultCache}
)

func style(size float64, c color.Color, x text.XAlignment, y text.YAlignment) draw.TextStyle {
	return draw.TextStyle{Color: c, Font: face(size, false), XAlign: x, YAlign: y, Handler: handler}
}

func line(c color.Color, width float64, dashes ...vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: vg.Points(width), Dashes: dashes}
}

// newPlot is an empty plot with the house's text.
func newPlot() *plot.Plot {
	p := plot.New()
	p.TextHandler = handler
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font, a.Tick.Label.Font = face(textSize, false), face(textSize, false)
		a.Label.TextStyle.Handler, a.Tick.Label.Handler = handler, handler
		a.Label.TextStyle.Color, a.Tick.Label.Color = ink, ink
		a.LineStyle, a.Tick.LineStyle = line(gray, 0.7), line(gray, 0.7)
		a.Padding = vg.Points(4)
	}
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks{}, ticks{}
	p.BackgroundColor = white
	return p
}

// custom draws with the plot's own coordinates.
type custom func(c draw.Canvas, x, y func(float64) vg.Length)

// Plot is plot.Plotter.
func (f custom) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	f(c, x, y)
}

// ticks are about five round numbers.
type ticks struct{}

// Ticks is plot.Ticker.
func (ticks) Ticks(lo, hi float64) (out []plot.Tick) {
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/4)))
	for _, m := range []float64{1, 2, 5, 10} {
		if (hi-lo)/(step*m) <= 7 {
			step *= m
			break
		}
	}
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+1e-9*step; i++ {
		out = append(out, plot.Tick{Value: i * step, Label: number(i*step, digits)})
	}
	return out
}

// number writes v with a true minus sign and no minus zero.
func number(v float64, digits int) string {
	s := fmt.Sprintf("%.*f", digits, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// ratioTicks are round ratios on a log axis.
type ratioTicks struct{}

// Ticks is plot.Ticker.
func (ratioTicks) Ticks(lo, hi float64) (out []plot.Tick) {
	all := []float64{0.1, 0.2, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 7, 10}
	if hi/lo > 4 {
		all = []float64{0.1, 0.2, 0.5, 1, 2, 5, 10}
	}
	for _, v := range all {
		if v >= lo*(1-1e-9) && v <= hi*(1+1e-9) {
			out = append(out, plot.Tick{Value: v, Label: strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")})
		}
	}
	return out
}

// ratioAxis makes the y axis one of ratios that holds every value given.
func ratioAxis(p *plot.Plot, values ...float64) {
	lo, hi := 0.9, 1.1
	for _, v := range values {
		if v > 0 {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	lo, hi = math.Max(lo, 0.1), math.Min(hi, 10)
	p.Y.Scale = plot.LogScale{}
	p.Y.Min, p.Y.Max = lo/1.03, hi*1.03
	p.Y.Tick.Marker = ratioTicks{}
}

// Small prints a p-value to three decimals; what rounds to nothing is said to be
// below the last.
func Small(p float64) string {
	if p < 0.0005 {
		return "< 0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// clamp keeps a value inside an axis.
func clamp(v float64, a *plot.Axis) float64 { return math.Min(math.Max(v, a.Min), a.Max) }

func rect(c draw.Canvas, fill color.Color, x0, y0, x1, y1 vg.Length) {
	c.FillPolygon(fill, []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}})
}

// wrap breaks text into lines of at most width.
func wrap(s string, sty draw.TextStyle, width vg.Length) (out []string) {
	cur := ""
	for _, w := range strings.Fields(s) {
		next := strings.TrimSpace(cur + " " + w)
		if cur != "" && sty.Width(next) > width {
			out, next = append(out, cur), w
		}
		cur = next
	}
	return append(out, cur)
}

// canvas draws title, figure and lines on a canvas made for their size.
func canvas[C vg.CanvasSizer](f Figure, make func(w, h vg.Length) C) C {
	w, h := f.size()
	head := draw.TextStyle{Color: ink, Font: face(titleSize, true), XAlign: text.XLeft, YAlign: text.YTop, Handler: handler}
	foot := style(smallSize, gray, text.XLeft, text.YTop)
	inner := w - 2*margin
	title := wrap(f.Title(), head, inner)
	var under []string
	for _, l := range f.lines() {
		under = append(under, wrap(l, foot, inner)...)
	}
	lead, small := vg.Points(titleSize*1.3), vg.Points(smallSize*1.35)
	top, bottom := lead*vg.Length(len(title))+margin, small*vg.Length(len(under))+margin
	all := h + top + bottom + margin
	c := make(w, all)
	d := draw.New(c)
	rect(d, white, 0, 0, w, all)
	for i, l := range title {
		d.FillText(head, vg.Point{X: margin, Y: all - margin - lead*vg.Length(i)}, l)
	}
	f.draw(draw.Crop(d, margin, -margin, bottom+margin/2, -top))
	for i, l := range under {
		d.FillText(foot, vg.Point{X: margin, Y: bottom - small*vg.Length(i)}, l)
	}
	return c
}

// SVG is the figure as an SVG document with title and description inside.
// Text stays text, in Liberation Sans or what has its widths.
func SVG(f Figure) ([]byte, error) {
	drawing.Lock()
	defer drawing.Unlock()
	c := canvas(f, vgsvg.New)
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("write a figure: %w", err)
	}
	s := b.String()
	at := strings.Index(s, "<svg ")
	end := at + strings.Index(s[at:], ">") + 1
	tag := strings.Replace(s[at:end], "<svg ", `<svg role="img" `, 1)
	s = tag + "\n<title>" + html.EscapeString(f.Title()) + "</title>\n<desc>" + html.EscapeString(f.Description()) + "</desc>" + s[end:]
	return []byte(svgText.ReplaceAllStringFunc(s, fitted)), nil
}

var svgText = regexp.MustCompile(`(<text [^>]*)style="font-family:Liberation Sans;([^"]*font-weight:(\w+);[^"]*font-size:([0-9.]+)px[^"]*)">([^<]*)</text>`)

// fitted gives a text the width it was measured with: whatever sans face a
// reader has takes the same room, and nothing is cut off.
func fitted(tag string) string {
	m := svgText.FindStringSubmatch(tag)
	size, err := strconv.ParseFloat(m[4], 64)
	if err != nil || strings.TrimSpace(m[5]) == "" {
		return tag
	}
	f := face(size, m[3] == "bold")
	w, _, _ := handler.Box(html.UnescapeString(m[5]), f)
	return fmt.Sprintf(`%stextLength="%.2f" lengthAdjust="spacingAndGlyphs" style="font-family:'Liberation Sans',Arial,Helvetica,sans-serif;%s">%s</text>`, m[1], w.Points(), m[2], m[5])
}

// PNG is the figure as a PNG image, twice as fine as a screen's points.
func PNG(f Figure) ([]byte, error) {
	drawing.Lock()
	defer drawing.Unlock()
	c := canvas(f, func(w, h vg.Length) *vgimg.Canvas { return vgimg.NewWith(vgimg.UseWH(w, h), vgimg.UseDPI(dpi)) })
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: c}).WriteTo(&b); err != nil {
		return nil, fmt.Errorf("write a figure: %w", err)
	}
	return b.Bytes(), nil
}
