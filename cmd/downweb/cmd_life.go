package main

import (
	"fmt"
	"io"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) stationsLife() *cobra.Command {
	var q query
	var costs costFlags
	req := &pb.EstimateLifeRequest{}
	c := &cobra.Command{Use: "life STATION", Short: "how long a station runs between failures, why it stops, and when replacing it before costs least", Args: exactly(1),
		Long: "Lives of a station between failures: survival with limits, Weibull shape, reasons by how often, and, where what it\n" +
			"costs is stated, the age at which planned replacement costs least, or why none can be said.",
		Example: "  downweb stations life die-station --since 26w\n" +
			"  downweb stations life nip-rollers --since 26w --clock km --clean-cost 180 --failure-cost 900 --currency EUR"}
	c.RunE = func(c *cobra.Command, args []string) error {
		req.Station = args[0]
		var err error
		if req.Costs, err = costs.costs(); err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			if req.Scope, req.Period, err = q.resolve(c.Context(), conn); err != nil {
				return err
			}
			r, err := pb.NewStudyServiceClient(conn).EstimateLife(c.Context(), req)
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv":
				header, rows := lifeCSV(r)
				return writeCSV(a.out, header, rows)
			}
			printLife(a.out, args[0], req.GetCosts().GetCurrency(), r)
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&req.Clock, "clock", "", "run_hours (default) or km")
	c.Flags().StringVar(&costs.clean, "clean-cost", "", "cost of a planned replacement; AMOUNT or LOW..HIGH")
	c.Flags().StringVar(&req.FailureCost, "failure-cost", "", "cost of a failure, stop and repair")
	c.Flags().StringVar(&costs.currency, "currency", "", "ISO 4217 code of both, e.g. EUR")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// mostSteps of a survival curve are printed; more are thinned out.
const mostSteps = 12

func printLife(w io.Writer, station, currency string, r *pb.EstimateLifeResponse) {
	fmt.Fprintf(w, "Lives of %s between failures, in %s run\n\n", station, r.GetUnit())
	fmt.Fprintf(w, "%s lives, %s ended in a failure.\n", grouped(r.GetLives()), grouped(r.GetFailures()))
	if r.GetShape().GetOk() {
		wrapped(w, "", "  ", fmt.Sprintf("Weibull shape %s; scale %s %s; one in ten failed by %s %s; all with 95 %% limits. A shape above 1 means that it wears.", interval(r.GetShape(), 2), interval(r.GetScale(), 1), r.GetUnit(), interval(r.GetB10(), 1), r.GetUnit()))
	}
	if r.GetShapeWithCleans().GetOk() && r.GetFailuresWithCleans() > r.GetFailures() {
		wrapped(w, "", "  ", fmt.Sprintf("With cleans on demand and heavy soiling as failures too (%s): shape %s.", grouped(r.GetFailuresWithCleans()), interval(r.GetShapeWithCleans(), 2)))
	}
	if n := len(r.GetCurve()); n > 0 {
		fmt.Fprintln(w)
		g := newGrid(">age "+r.GetUnit(), ">still running (95 %)", ">at risk", ">failed")
		failed := int64(0)
		shown := -1
		for i, p := range r.GetCurve() {
			failed += p.GetFailures()
			if at := i * mostSteps / n; n > mostSteps && at == shown && i != n-1 {
				continue
			} else {
				shown = at
			}
			g.row(number(p.GetAge(), 1), fmt.Sprintf("%s %% (%s to %s)", number(100*p.GetSurvival(), 1), number(100*p.GetLow(), 1), number(100*p.GetHigh(), 1)), grouped(p.GetAtRisk()), grouped(failed))
		}
		g.print(w)
	}
	if len(r.GetReasons()) > 0 {
		fmt.Fprintln(w)
		g := newGrid("reason", ">failures", ">minutes", ">share to here")
		for _, x := range r.GetReasons() {
			name := x.GetReason()
			if name == "" {
				name = "(none given)"
			}
			g.row(clip(name, 30), grouped(x.GetFailures()), number(x.GetMinutes(), 0), number(100*x.GetCumulativeShare(), 1)+" %")
		}
		g.print(w)
	}
	fmt.Fprintln(w)
	if r.GetReplaceAt() > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("Planned replacement costs least at %s %s: %s %s a %s, against %s when run to failure.", number(r.GetReplaceAt(), 1), r.GetUnit(), currency, r.GetReplaceCost(), r.GetUnit(), r.GetRunToFailureCost()))
	}
	for _, x := range r.GetRefusals() {
		wrapped(w, "No age of replacement, "+x.GetRule()+": ", "  ", x.GetReason())
	}
	for _, n := range r.GetNotes() {
		wrapped(w, "! ", "  ", n)
	}
}

func lifeCSV(r *pb.EstimateLifeResponse) (header []string, rows [][]string) {
	header = []string{"curve", "age", "unit", "survival", "low", "high", "at_risk", "failures"}
	for _, c := range []struct {
		name   string
		points []*pb.LifePoint
	}{{"failures", r.GetCurve()}, {"with_cleans", r.GetCurveWithCleans()}} {
		for _, p := range c.points {
			rows = append(rows, []string{c.name, float(p.GetAge()), r.GetUnit(), float(p.GetSurvival()), float(p.GetLow()), float(p.GetHigh()), strconv.FormatInt(p.GetAtRisk(), 10), strconv.FormatInt(p.GetFailures(), 10)})
		}
	}
	return header, rows
}
