package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var viewTitles = map[string]string{
	"semi-e10": "SEMI E10 states", "six-losses": "the six big losses (Nakajima 1988)", "iso22400": "ISO 22400-2 time elements",
}

// printView writes the same planned time in another scheme: lines without indent add up to the whole.
func printView(w io.Writer, p lossPage) {
	t := p.resp.GetTotal()
	c := clockFor(t.GetPlannedBusyUs())
	times, points := viewFigures(t, c)
	title := viewTitles[p.as]
	if title == "" {
		title = "another scheme"
	}
	g := newGrid("planned busy time as "+title, ">"+c.name, ">points", "")
	var most int64
	for _, l := range t.GetView() {
		most = max(most, l.GetTimeUs())
	}
	for i, l := range t.GetView() {
		g.row(strings.Repeat("  ", int(l.GetLevel()))+l.GetName(), c.text(times[i]), pointsCell(t, points[i]), bar(l.GetTimeUs(), most, 20))
	}
	g.rule()
	g.row("planned busy time", c.text(roundRatio(t.GetPlannedBusyUs(), 1, c.unit)), pointsCell(t, 10_000), "")
	g.print(w)
	fmt.Fprintln(w)
	if len(p.resp.GetGroups()) > 0 {
		printViewGroups(w, p.resp)
	}
}

// viewFigures are the printed times and points of a view's lines: those of level 0 add up to the whole as they
// stand, and so do the lines below one to it where they are all of it. A view begins with a line of level 0.
func viewFigures(t *pb.LossTree, c clock) (times, points []int64) {
	var top []int64
	for _, l := range t.GetView() {
		if l.GetLevel() == 0 {
			top = append(top, l.GetTimeUs())
		}
	}
	pbt := t.GetPlannedBusyUs()
	topTimes := apportion(top, 1, c.unit, roundRatio(pbt, 1, c.unit))
	topPoints := make([]int64, len(top))
	if pbt > 0 {
		topPoints = apportion(top, 10_000, pbt, 10_000)
	}
	n := 0
	for i := 0; i < len(t.GetView()); {
		times, points = append(times, topTimes[n]), append(points, topPoints[n])
		top := t.GetView()[i]
		var parts []int64
		rest := top.GetTimeUs()
		for i++; i < len(t.GetView()) && t.GetView()[i].GetLevel() > 0; i++ {
			parts = append(parts, t.GetView()[i].GetTimeUs())
			rest -= t.GetView()[i].GetTimeUs()
		}
		if rest == 0 && pbt > 0 { // they are all of the line: what is printed adds up to it
			times = append(times, apportion(parts, 1, c.unit, topTimes[n])...)
			points = append(points, apportion(parts, 10_000, pbt, topPoints[n])...)
		} else {
			for _, us := range parts {
				p := int64(0)
				if pbt > 0 {
					p = roundRatio(us, 10_000, pbt)
				}
				times, points = append(times, roundRatio(us, 1, c.unit)), append(points, p)
			}
		}
		n++
	}
	return times, points
}

// printViewGroups writes the points of the top lines by group.
func printViewGroups(w io.Writer, r *pb.GetLossesResponse) {
	heads := []string{"points"}
	var top []int
	for i, l := range r.GetTotal().GetView() {
		if l.GetLevel() == 0 {
			top = append(top, i)
			heads = append(heads, ">"+clip(strings.ReplaceAll(l.GetLine(), "_", " "), 9))
		}
	}
	g := newGrid(heads...)
	for _, t := range append(slices.Clone(r.GetGroups()), r.GetTotal()) {
		_, points := viewFigures(t, hoursClock)
		key := t.GetKey()
		switch {
		case t == r.GetTotal():
			key = "all"
			g.rule()
		case key == "":
			key = "(none)"
		}
		cells := []string{clip(key, 18)}
		for _, i := range top {
			cells = append(cells, fixed(points[i], 2))
		}
		g.row(cells...)
	}
	g.print(w)
	fmt.Fprintln(w)
}
