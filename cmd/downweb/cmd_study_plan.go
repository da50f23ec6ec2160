package main

import (
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) studyPlan() *cobra.Command {
	var scope scopeFlags
	var every []int
	p := &pb.TrialPlan{Period: &pb.Period{}}
	c := &cobra.Command{Use: "plan", Short: "draw a trial: which press cleans how often in which week", Args: exactly(0),
		Long: "Draw a trial of cleaning schedules: each press follows one of them in each ISO week, at random and balanced over\n" +
			"presses and weeks. The first window of a week is cleaned under every schedule. Safety work is refused, and so is a\n" +
			"schedule beyond the maker's interval. Keep the plan: the study of the trial takes it as its \"trial\" (-o spec).",
		Example: "  downweb study plan --plant rhein --station web-cleaner --every 1,2 --from 2026-09-07 --to 2026-12-27\n" +
			"  downweb study plan --station web-cleaner --every 1,2 --from 2026-09-07 --to 2026-12-27 --seed 11 -o csv > plan.csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		var err error
		if p.Scope, err = scope.scope(); err != nil {
			return err
		}
		for _, n := range every {
			p.Every = append(p.Every, int32(n))
		}
		if p.Station == "" || p.Period.FirstDay == "" || p.Period.LastDay == "" {
			return usagef("--station, --from and --to are needed")
		}
		if !c.Flags().Changed("seed") {
			var b [8]byte
			if _, err := rand.Read(b[:]); err != nil {
				return fmt.Errorf("draw a seed: %w", err)
			}
			p.Seed = uint64(binary.LittleEndian.Uint32(b[:])) + 1
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).PlanTrial(c.Context(), &pb.PlanTrialRequest{Plan: p})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				err = writeJSONMessage(a.out, r)
			case "csv":
				header, rows := trialCSV(r)
				err = writeCSV(a.out, header, rows)
			case "spec":
				if len(r.GetRefusals()) == 0 {
					printTrialSpec(a.out, r.GetPlan())
				}
			default:
				printTrial(a.out, r)
			}
			if err == nil && len(r.GetRefusals()) > 0 {
				if a.format != "table" {
					for _, x := range r.GetRefusals() {
						wrapped(a.err, "REFUSED ", "  ", x)
					}
				}
				err = quietError
			}
			return err
		})
	}
	scope.add(c)
	c.Flags().StringVar(&p.Station, "station", "", "the station whose cleaning is varied")
	c.Flags().IntSliceVar(&every, "every", []int{1, 2}, "schedules: clean at every n-th required window; 1 is today's")
	c.Flags().StringVar(&p.Period.FirstDay, "from", "", "first day, YYYY-MM-DD; whole ISO weeks are drawn")
	c.Flags().StringVar(&p.Period.LastDay, "to", "", "last day")
	c.Flags().Uint64Var(&p.Seed, "seed", 0, "seed of the draw (default: one is drawn and shown)")
	a.outputFlag(c, "table", "csv", "json", "spec")
	return c
}

// scheduleWords says what a crew does in a week: its first window is cleaned under every schedule.
func scheduleWords(every int32) string {
	n := fmt.Sprintf("%dth", every)
	switch every {
	case 1:
		return "clean at every window"
	case 2:
		n = "2nd"
	case 3:
		n = "3rd"
	}
	return "clean at the first window, then every " + n
}

// printTrial writes the cautions, then a list to print and pin up: press by press, week by week.
func printTrial(w io.Writer, r *pb.PlanTrialResponse) {
	p := r.GetPlan()
	fmt.Fprintf(w, "Trial of %s, %s to %s, seed %d\n\n", p.GetStation(), p.GetPeriod().GetFirstDay(), p.GetPeriod().GetLastDay(), p.GetSeed())
	for _, n := range r.GetNotes() {
		wrapped(w, "! ", "  ", n)
	}
	fmt.Fprintln(w)
	if len(r.GetRefusals()) > 0 {
		fmt.Fprintln(w, "REFUSED: there is no plan.")
		for _, x := range r.GetRefusals() {
			wrapped(w, "  ", "    ", x)
		}
		return
	}
	g := newGrid("press", "week of", p.GetStation(), "done")
	last := ""
	for _, x := range r.GetAssignments() {
		name := x.GetPress()
		if name == last {
			name = ""
		} else if last != "" {
			g.rule()
		}
		last = x.GetPress()
		g.row(name, x.GetWeek(), scheduleWords(x.GetEvery()), "[ ]")
	}
	g.print(w)
	if v := r.GetDetectableMeters(); v > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("Four of five such trials would find a difference of %s m a window left out, if the weeks are like those of the last half year.", number(v, 1)))
	}
	wrapped(w, "", "  ", "The study of it: the same command with -o spec, then downweb study ask.")
}

func trialCSV(r *pb.PlanTrialResponse) (header []string, rows [][]string) {
	p := r.GetPlan()
	header = []string{"press", "week", "station", "every", "seed", "schedule"}
	for _, x := range r.GetAssignments() {
		rows = append(rows, []string{x.GetPress(), x.GetWeek(), p.GetStation(), strconv.Itoa(int(x.GetEvery())), strconv.FormatUint(p.GetSeed(), 10), scheduleWords(x.GetEvery())})
	}
	return header, rows
}

// printTrialSpec writes the spec of the study that the trial is for.
func printTrialSpec(w io.Writer, p *pb.TrialPlan) {
	list := func(v []string) string { return "[" + strings.Join(v, ", ") + "]" }
	scope := func(indent string) {
		s := p.GetScope()
		var part []string
		for _, f := range []struct {
			name string
			list []string
		}{{"plants", s.GetPlants()}, {"presses", s.GetPresses()}, {"kinds", s.GetKinds()}} {
			if len(f.list) > 0 {
				part = append(part, f.name+": "+list(f.list))
			}
		}
		if len(part) > 0 {
			fmt.Fprintf(w, "%sscope: {%s}\n", indent, strings.Join(part, ", "))
		}
	}
	var every []string
	for _, n := range p.GetEvery() {
		every = append(every, strconv.Itoa(int(n)))
	}
	period := fmt.Sprintf("period: {first_day: %s, last_day: %s}", p.GetPeriod().GetFirstDay(), p.GetPeriod().GetLastDay())
	fmt.Fprintf(w, "title: trial of %s\n", p.GetStation())
	scope("")
	fmt.Fprintf(w, "%s\ntrial:\n", period)
	scope("  ")
	fmt.Fprintf(w, "  %s\n  station: %s\n  every: %s\n  seed: %d\n", period, p.GetStation(), list(every), p.GetSeed())
}
