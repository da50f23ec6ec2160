package main

import (
	"fmt"
	"io"
	"os/user"
	"regexp"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

func (a *app) registryCommand() *cobra.Command {
	return group("registry", "plants, calendars, presses, stations, cleaning plans and rates: one document per plant",
		a.registryShow(), a.registryDiff(), a.registryApply(), a.registryHistory())
}

func (a *app) registryShow() *cobra.Command {
	var rev uint64
	c := &cobra.Command{Use: "show [PLANT]", Short: "a plant's document as YAML, ready to edit and apply; without a plant, the list of plants", Args: atMost(1), Example: "  downweb registry show\n  downweb registry show rhein > rhein.yaml"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			client := pb.NewRegistryServiceClient(conn)
			if len(args) == 0 {
				r, err := client.ListPlants(c.Context(), &pb.ListPlantsRequest{})
				if err != nil {
					return err
				}
				switch a.format {
				case "json":
					return writeJSONMessage(a.out, r)
				case "csv", "parquet", "arrow":
					var rows [][]string
					for _, rev := range r.GetRevisions() {
						p := rev.GetPlant()
						rows = append(rows, []string{p.GetPlant(), p.GetName(), p.GetZone(), p.GetCurrency(), strconv.Itoa(len(p.GetPresses())), strconv.FormatUint(rev.GetRev(), 10)})
					}
					return a.writeTable([]string{"plant", "name", "zone", "currency", "presses", "rev"}, rows, r)
				}
				printPlants(a, r)
				return nil
			}
			r, err := client.GetPlant(c.Context(), &pb.GetPlantRequest{Plant: args[0], Rev: rev})
			if err != nil {
				return err
			}
			if a.format == "json" {
				return writeJSONMessage(a.out, r.GetRevision())
			}
			text, err := registry.FormatYAML(r.GetRevision().GetPlant())
			if err != nil {
				return err
			}
			v := r.GetRevision()
			fmt.Fprintf(a.out, "# revision %d, applied %s by %s: %s\n%s", v.GetRev(), instant(v.GetAppliedAt().AsTime()), v.GetAuthor(), oneLine(v.GetComment()), text)
			return nil
		})
	}
	c.Flags().Uint64Var(&rev, "rev", 0, "the document as of this revision; 0: the latest")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func printPlants(a *app, r *pb.ListPlantsResponse) {
	if len(r.GetRevisions()) == 0 {
		fmt.Fprintln(a.out, "The registry is empty: downweb registry apply FILE")
		return
	}
	g := newGrid("plant", "name", "zone", "currency", ">presses", ">revision", "applied")
	for _, rev := range r.GetRevisions() {
		p := rev.GetPlant()
		g.row(p.GetPlant(), clip(p.GetName(), 24), p.GetZone(), p.GetCurrency(), strconv.Itoa(len(p.GetPresses())), strconv.FormatUint(rev.GetRev(), 10), instant(rev.GetAppliedAt().AsTime()))
	}
	g.print(a.out)
}

// atMost wants no more than n arguments.
func atMost(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) > n {
			return usagef("want \"%s\", got %d arguments", c.UseLine(), len(args))
		}
		return nil
	}
}

// readPlant reads and checks a document; every problem is a line of its own on stderr.
func (a *app) readPlant(file string) (plant *pb.Plant, seen uint64, err error) {
	text, err := a.readFile(file)
	if err != nil {
		return nil, 0, err
	}
	plant, problems := registry.ValidateYAML(text)
	if len(problems) > 0 {
		for _, p := range problems[1:] {
			fmt.Fprintf(a.err, "downweb: %s:%s\n", file, p)
		}
		return nil, 0, usagef("%s:%s", file, problems[0])
	}
	return plant, shownRevision(text), nil
}

var shown = regexp.MustCompile(`^# revision (\d+), `)

// shownRevision is the revision that `registry show` wrote into a document's first line; 0: none.
func shownRevision(text []byte) uint64 {
	if m := shown.FindSubmatch(text); m != nil {
		n, _ := strconv.ParseUint(string(m[1]), 10, 64)
		return n
	}
	return 0
}

func (a *app) registryDiff() *cobra.Command {
	c := &cobra.Command{Use: "diff FILE", Short: "what applying a document would change, recompute and do to next week's duties; writes nothing", Args: exactly(1),
		Example: "  downweb registry show rhein > rhein.yaml\n  downweb registry diff rhein.yaml"}
	c.RunE = func(c *cobra.Command, args []string) error {
		plant, _, err := a.readPlant(args[0])
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewRegistryServiceClient(conn).PlanApply(c.Context(), &pb.PlanApplyRequest{Plant: plant})
			if err != nil {
				return err
			}
			if a.format == "json" {
				return writeJSONMessage(a.out, r)
			}
			printPlan(a, plant.GetPlant(), r)
			return nil
		})
	}
	a.outputFlag(c, "table", "json")
	return c
}

func printPlan(a *app, plant string, r *pb.PlanApplyResponse) {
	if len(r.GetChanges()) == 0 {
		fmt.Fprintf(a.out, "No change to %s (revision %d).\n", plant, r.GetCurrentRev())
		return
	}
	what := "a new plant"
	if r.GetCurrentRev() > 0 {
		what = fmt.Sprintf("revision %d", r.GetCurrentRev())
	}
	fmt.Fprintf(a.out, "Changes to %s (%s):\n", plant, what)
	for _, line := range r.GetChanges() {
		wrapped(a.out, "  ", "      ", line)
	}
	if len(r.GetDirtyPresses()) > 0 {
		from := "from their first day on"
		if r.GetDirtyFrom() != "" {
			from = "from " + r.GetDirtyFrom() + " on"
		}
		wrapped(a.out, "", "  ", "Recomputed "+from+": "+strings.Join(r.GetDirtyPresses(), ", "))
		wrapped(a.out, "  ", "  ", "These are all presses to which a changed calendar, plan or rate applies, beside those changed themselves; from the day before, because shifts and notes reach over midnight.")
	} else {
		fmt.Fprintln(a.out, "Nothing is recomputed.")
	}
	printForecast(a.out, r.GetDuties())
}

// forecastLines is how many changed duties are listed for people.
const forecastLines = 60

// printForecast writes what a document does to the duties of a week to come: cautions, counts, then the duties.
func printForecast(w io.Writer, f *pb.DutyForecast) {
	if f == nil {
		fmt.Fprintln(w, "No duty changes.")
		return
	}
	fmt.Fprintln(w)
	printCautions(w, f.GetCautions())
	wrapped(w, "", "  ", fmt.Sprintf("Duties of the production days %s to %s, now and with this document (times in %s):", f.GetFirstDay(), f.GetLastDay(), f.GetZone()))
	if len(f.GetCounts()) == 0 {
		fmt.Fprintln(w, "None is added, gone or moved.")
	} else {
		g := newGrid("press", "task", ">now", ">then", ">added", ">gone", ">moved")
		for _, c := range f.GetCounts() {
			g.row(clip(c.GetPress(), 24), clip(c.GetTask(), 24), strconv.Itoa(int(c.GetBefore())), strconv.Itoa(int(c.GetAfter())), strconv.Itoa(int(c.GetAdded())), strconv.Itoa(int(c.GetGone())), strconv.Itoa(int(c.GetMoved())))
		}
		g.print(w)
		fmt.Fprintln(w)
		g = newGrid("press", "task", "", "due now", "due then", "by", "")
		for _, c := range f.GetChanges()[:min(forecastLines, len(f.GetChanges()))] {
			at := func(t *timestamppb.Timestamp) string {
				if t == nil {
					return "-"
				}
				return localIn(f.GetZone(), t.AsTime())
			}
			expected := ""
			if c.GetExpected() {
				expected = "expected"
			}
			g.row(clip(c.GetPress(), 18), clip(c.GetTask(), 18), enumWord(c.GetKind().String(), "DUTY_CHANGE_KIND_"), at(c.GetDueBefore()), at(c.GetDueAfter()), enumWord(c.GetCadence().String(), "CADENCE_"), expected)
		}
		g.print(w)
		if more := len(f.GetChanges()) - forecastLines + int(f.GetLeftOff()); more > 0 && len(f.GetChanges()) > forecastLines {
			fmt.Fprintf(w, "and %d more: -o json lists them.\n", more)
		}
	}
	for _, n := range f.GetNotes() {
		wrapped(w, "", "  ", n)
	}
}

func (a *app) registryApply() *cobra.Command {
	var expected uint64
	var author, comment string
	c := &cobra.Command{Use: "apply FILE", Short: "append a document as the plant's next revision", Args: exactly(1),
		Long: "Appends the document of FILE as the plant's next revision. It is refused when someone else has applied another one since:\n" +
			"the revision you saw is --expected-rev, or the one that \"registry show\" wrote into the first line, or else the current one.",
		Example: "  downweb registry show rhein > rhein.yaml\n  $EDITOR rhein.yaml\n  downweb registry diff rhein.yaml\n  downweb registry apply rhein.yaml --comment \"new cleaning plan\""}
	c.RunE = func(c *cobra.Command, args []string) error {
		plant, seen, err := a.readPlant(args[0])
		if err != nil {
			return err
		}
		if author == "" {
			author = lookup(a.environ, "USER")
			if u, err := user.Current(); err == nil && u.Username != "" {
				author = u.Username
			}
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			client := pb.NewRegistryServiceClient(conn)
			plan, err := client.PlanApply(c.Context(), &pb.PlanApplyRequest{Plant: plant})
			if err != nil {
				return err
			}
			if a.format != "json" {
				printPlan(a, plant.GetPlant(), plan)
			}
			switch {
			case c.Flags().Changed("expected-rev"):
			case seen > 0:
				expected = seen
			default:
				expected = plan.GetCurrentRev()
			}
			r, err := client.ApplyPlant(c.Context(), &pb.ApplyPlantRequest{Plant: plant, ExpectedRev: expected, Author: author, Comment: comment})
			if err != nil {
				return err
			}
			if a.format == "json" {
				return writeJSONMessage(a.out, r)
			}
			fmt.Fprintf(a.out, "%s is at revision %d.\n", plant.GetPlant(), r.GetRev())
			return nil
		})
	}
	c.Flags().Uint64Var(&expected, "expected-rev", 0, "the plant's revision you saw; 0: a new plant")
	c.Flags().StringVar(&author, "author", "", "who (default: the user's name)")
	c.Flags().StringVar(&comment, "comment", "", "what was changed and why")
	a.outputFlag(c, "table", "json")
	return c
}

func (a *app) registryHistory() *cobra.Command {
	c := &cobra.Command{Use: "history [PLANT]", Short: "who changed what, newest first", Args: atMost(1), Example: "  downweb registry history rhein"}
	c.RunE = func(c *cobra.Command, args []string) error {
		plant := ""
		if len(args) > 0 {
			plant = args[0]
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewRegistryServiceClient(conn).ListRevisions(c.Context(), &pb.ListRevisionsRequest{Plant: plant})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv", "parquet", "arrow":
				var rows [][]string
				for _, v := range r.GetRevisions() {
					rev := v.GetRevision()
					for _, line := range v.GetChanges() {
						rows = append(rows, []string{strconv.FormatUint(rev.GetRev(), 10), rev.GetPlant().GetPlant(), stamp(rev.GetAppliedAt()), rev.GetAuthor(), rev.GetComment(), line})
					}
				}
				return a.writeTable([]string{"rev", "plant", "applied_at", "author", "comment", "change"}, rows, r)
			}
			if len(r.GetRevisions()) == 0 {
				fmt.Fprintln(a.out, "The registry is empty.")
			}
			for _, v := range r.GetRevisions() {
				rev := v.GetRevision()
				wrapped(a.out, "", "  ", fmt.Sprintf("revision %d  %s  %s  by %s  %s", rev.GetRev(), rev.GetPlant().GetPlant(), instant(rev.GetAppliedAt().AsTime()), rev.GetAuthor(), oneLine(rev.GetComment())))
				for _, line := range v.GetChanges() {
					wrapped(a.out, "  ", "      ", line)
				}
			}
			return nil
		})
	}
	a.outputFlag(c, "table", "json", "csv")
	return c
}
