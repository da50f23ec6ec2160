package main

import (
	"fmt"
	"io"
	"math"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) intervalCommand() *cobra.Command {
	var costs costFlags
	req := &pb.EstimateIntervalRequest{}
	c := &cobra.Command{Use: "interval STATION", Short: "which cleaning interval of a station costs least, or why the data cannot say", Args: exactly(1),
		Long: "Which cleaning interval of a station costs least: the cost of a clean against the waste that grows since it, from a\n" +
			"finished study. The answer is a range, with today's practice beside it, or a refusal with its number. A safety\n" +
			"task never gets an interval from this; nothing reaches beyond the maker's interval or beyond the data.",
		Example: "  downweb interval web-cleaner --study ID --clean-cost 12..20 --meter-cost 0.35 --currency EUR\n" +
			"  downweb interval web-cleaner --study ID --clean-cost 12..20 --currency EUR --maker-limit 150 -o json"}
	c.RunE = func(c *cobra.Command, args []string) error {
		req.Station = args[0]
		if req.StudyId == "" {
			return usagef("--study ID is needed: the study that the growth of waste is from (\"downweb study list\")")
		}
		var err error
		if req.Costs, err = costs.costs(); err != nil {
			return err
		}
		if req.Costs == nil {
			return usagef("--clean-cost and --currency are needed: what one more clean of this station costs")
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).EstimateInterval(c.Context(), req)
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv":
				header, rows := intervalCSV(r)
				return writeCSV(a.out, header, rows)
			}
			printInterval(a.out, args[0], r)
			return nil
		})
	}
	c.Flags().StringVar(&req.StudyId, "study", "", "id of the study")
	c.Flags().Float64Var(&req.MakerLimitKm, "maker-limit", 0, "the maker's longest interval, km of web (default: as the plan says)")
	c.Flags().StringVar(&req.Override, "override", "", "what was agreed in writing, by whom and when, to go beyond the maker's interval")
	costs.add(c)
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// perKm is a cost a km of web with four digits that count.
func perKm(v float64, currency string) string {
	return currency + " " + strconv.FormatFloat(v, 'f', max(2, 3-int(math.Floor(math.Log10(math.Max(math.Abs(v), 1e-6))))), 64) + " a km"
}

func kilometers(v float64) string { return number(v, 1) + " km" }

// printInterval writes the answer or the refusals first, then what it rests on, the cautions last.
func printInterval(w io.Writer, station string, r *pb.EstimateIntervalResponse) {
	fmt.Fprintf(w, "Cleaning interval of %s, by cost\n\n", station)
	if len(r.GetRefusals()) > 0 {
		fmt.Fprintln(w, "REFUSED: this data gives no interval.")
		for _, x := range r.GetRefusals() {
			wrapped(w, "  "+x.GetRule()+": ", "    ", x.GetReason())
		}
	} else {
		wrapped(w, "", "  ", fmt.Sprintf("Every %s to %s of web costs within 5 %% of the least.", kilometers(r.GetFromKm()), kilometers(r.GetToKm())))
		high := "beyond the data"
		if r.BestHighKm != nil {
			high = kilometers(r.GetBestHighKm())
		}
		wrapped(w, "", "  ", fmt.Sprintf("Least at %s, %s; its 95 %% interval, with the ranges of the costs: %s to %s.", kilometers(r.GetBestKm()), perKm(r.GetBestCost(), r.GetCurrency()), kilometers(r.GetBestLowKm()), high))
	}
	switch {
	case r.GetTodayKm() > 0 && len(r.GetRefusals()) > 0:
		fmt.Fprintln(w)
		wrapped(w, "", "  ", "Today's practice: every "+kilometers(r.GetTodayKm())+" (median).")
	case r.GetTodayKm() > 0:
		g := newGrid("", ">every", ">cost")
		g.row("today's practice (median)", kilometers(r.GetTodayKm()), perKm(r.GetTodayCost(), r.GetCurrency()))
		g.row("never before the longest run", kilometers(r.GetLongestKm()), perKm(r.GetLongestCost(), r.GetCurrency()))
		fmt.Fprintln(w)
		g.print(w)
	}
	if v := r.GetLowerEndKm(); v > 0 {
		wrapped(w, "", "  ", "As far as this data tells, the best interval is at least "+kilometers(v)+".")
	}
	if len(r.GetSensitivity()) > 0 {
		fmt.Fprintln(w, "\nHow far it moves, one thing at a time:")
		for _, s := range r.GetSensitivity() {
			wrapped(w, "  ", "    ", s)
		}
	}
	fmt.Fprintln(w)
	for _, n := range r.GetNotes() {
		wrapped(w, "! ", "  ", n)
	}
}

func intervalCSV(r *pb.EstimateIntervalResponse) (header []string, rows [][]string) {
	header = []string{"km", "cost_per_km", "low", "high", "currency", "refused"}
	for _, p := range r.GetCurve() {
		rows = append(rows, []string{float(p.GetKm()), float(p.GetCost()), float(p.GetLow()), float(p.GetHigh()), r.GetCurrency(), strconv.FormatBool(len(r.GetRefusals()) > 0)})
	}
	return header, rows
}
