package main

import (
	"fmt"
	"io"
	"strconv"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// printFigures shows what would be signed.
func printFigures(w io.Writer, p *pb.ClosedPeriod) {
	fmt.Fprintf(w, "Plant %s, production days %s\n\n", p.GetPlant(), periodText(p.GetPeriod()))
	printLadder(w, newLadder(p.GetSigned()))
	fmt.Fprintln(w)
	wrapped(w, "", "  ", fmt.Sprintf("As of insert %s, registry revision %d, rules %d.", grouped(int64(p.GetAsOf().GetPos())), p.GetAsOf().GetRegistryRev(), p.GetAsOf().GetRulesVersion()))
	fmt.Fprintf(w, "SHA-256 of the figures: %s\n", p.GetSha256())
}

// closedState is a signature in one word or two.
func closedState(p *pb.ClosedPeriod) string {
	switch {
	case p.GetVoided():
		return "taken back"
	case p.GetRestated():
		return "restated"
	}
	return "as signed"
}

func oeeText(t *pb.LossTree) string {
	if !t.GetOk() {
		return "-"
	}
	return percent(t.GetOee(), 2)
}

func printClosedPeriods(w io.Writer, r *pb.ListClosedPeriodsResponse) {
	if len(r.GetPeriods()) == 0 {
		fmt.Fprintln(w, "Nothing is signed.")
		return
	}
	g := newGrid("plant", "first day", "last day", "signed", "author", ">OEE signed", ">OEE now", "state")
	for _, p := range r.GetPeriods() {
		g.row(p.GetPlant(), p.GetPeriod().GetFirstDay(), p.GetPeriod().GetLastDay(), instant(p.GetAt().AsTime()), cut(p.GetAuthor(), 16), oeeText(p.GetSigned()), oeeText(p.GetNow()), closedState(p))
	}
	g.print(w)
	fmt.Fprintln(w)
	for _, p := range r.GetPeriods() {
		fmt.Fprintf(w, "%s  %s\n", periodText(p.GetPeriod()), p.GetEvent())
	}
}

// cut shortens a text to n characters.
func cut(text string, n int) string {
	r := []rune(text)
	if len(r) <= n {
		return text
	}
	return string(r[:n-1]) + "…"
}

func printClosedPeriod(w io.Writer, p *pb.ClosedPeriod) {
	fmt.Fprintf(w, "Plant %s, production days %s, signed by %s at %s\n", p.GetPlant(), periodText(p.GetPeriod()), p.GetAuthor(), instant(p.GetAt().AsTime()))
	wrapped(w, "", "  ", fmt.Sprintf("As of insert %s, registry revision %d. SHA-256 %s", grouped(int64(p.GetAsOf().GetPos())), p.GetAsOf().GetRegistryRev(), p.GetSha256()))
	if p.GetVoided() {
		fmt.Fprintln(w, "This signature was taken back.")
	}
	for _, n := range p.GetNotes() {
		wrapped(w, "", "  ", n)
	}
	fmt.Fprintln(w)
	printRestatement(w, p)
	printCauses(w, p)
}

func printRestatement(w io.Writer, p *pb.ClosedPeriod) {
	a, b := p.GetSigned(), p.GetNow()
	if !p.GetRestated() {
		fmt.Fprintf(w, "The figures are as signed: OEE %s.\n", oeeText(a))
		return
	}
	g := newGrid("", ">signed min", ">now min", ">moved min", ">moved m", ">points", ">money")
	line := func(name string, x, y *pb.LossLeaf, points string, money string) {
		us, mm := y.GetTimeUs()-x.GetTimeUs(), y.GetLengthMm()-x.GetLengthMm()
		g.row(name, minutes3(x.GetTimeUs()), minutes3(y.GetTimeUs()), signed(minutes3(us)), signed(fixed(mm, 3)), points, money)
	}
	byLeaf := map[string]*pb.LeafDifference{}
	for _, d := range p.GetDifferences() {
		byLeaf[d.GetLeaf()] = d
	}
	for i, y := range b.GetLeaves() {
		if d := byLeaf[y.GetLeaf()]; d != nil {
			line(y.GetName(), a.GetLeaves()[i], y, signed(number(d.GetPoints(), 2)), signedMoney(d.GetMoney()))
		}
	}
	g.rule()
	total := func(name string, x, y int64) {
		line(name, &pb.LossLeaf{TimeUs: x}, &pb.LossLeaf{TimeUs: y}, "", "")
	}
	total("planned busy time", a.GetPlannedBusyUs(), b.GetPlannedBusyUs())
	total("valuable operating time", a.GetValuableUs(), b.GetValuableUs())
	g.print(w)
	if a.GetPlannedBusyUs() == b.GetPlannedBusyUs() && a.GetValuableUs() == b.GetValuableUs() {
		fmt.Fprintf(w, "OEE is as signed: %s. Only leaves moved.\n", oeeText(a))
	} else {
		fmt.Fprintf(w, "OEE moved: signed %s, now %s.\n", oeeText(a), oeeText(b))
	}
}

func minutes3(us int64) string { return fixed(roundRatio(us, 1, 60_000), 3) }

// signed writes a plus before what is above zero.
func signed(text string) string {
	if text == "" || text[0] == '-' || text == "0" || text == "0.000" || text == "0.00" {
		return text
	}
	return "+" + text
}

func signedMoney(list []*pb.Money) string {
	out := ""
	for _, m := range list {
		d, err := decimal.NewFromString(m.GetAmount())
		if err != nil {
			continue
		}
		if out != "" {
			out += ", "
		}
		out += signed(d.String()) + " " + m.GetCurrency()
	}
	return out
}

func printCauses(w io.Writer, p *pb.ClosedPeriod) {
	if len(p.GetCauses()) == 0 {
		fmt.Fprintln(w, "Nothing that touches the period came after the signature.")
		return
	}
	var total, leaves []*pb.RestatementCause
	for _, c := range p.GetCauses() {
		if c.GetMovesTotal() {
			total = append(total, c)
		} else {
			leaves = append(leaves, c)
		}
	}
	for _, part := range []struct {
		head string
		list []*pb.RestatementCause
	}{{"What moved the total:", total}, {"What came after the signature and moves leaves at most:", leaves}} {
		if len(part.list) == 0 {
			continue
		}
		fmt.Fprintf(w, "\n%s\n", part.head)
		for _, c := range part.list {
			count := ""
			if c.GetCount() > 1 {
				count = strconv.FormatInt(c.GetCount(), 10) + " × "
			}
			wrapped(w, "  ", "    ", count+c.GetText())
			if c.GetKind() == "event" {
				fmt.Fprintf(w, "    %s\n", c.GetWhat())
			}
		}
	}
}
