package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var dutyOutcomes = map[string]pb.DutyOutcome{
	"": pb.DutyOutcome_DUTY_OUTCOME_UNSPECIFIED, "on-time": pb.DutyOutcome_DUTY_OUTCOME_ON_TIME, "late": pb.DutyOutcome_DUTY_OUTCOME_LATE,
	"missed": pb.DutyOutcome_DUTY_OUTCOME_MISSED, "skipped": pb.DutyOutcome_DUTY_OUTCOME_SKIPPED,
	"not-required": pb.DutyOutcome_DUTY_OUTCOME_NOT_REQUIRED, "unknown": pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN, "open": pb.DutyOutcome_DUTY_OUTCOME_OPEN,
}

var complianceGroups = map[string]pb.ComplianceGroup{
	"station": pb.ComplianceGroup_COMPLIANCE_GROUP_STATION, "press": pb.ComplianceGroup_COMPLIANCE_GROUP_PRESS, "plant": pb.ComplianceGroup_COMPLIANCE_GROUP_PLANT,
	"week": pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK, "task": pb.ComplianceGroup_COMPLIANCE_GROUP_TASK,
}

// dutyFlags are the flags of the command.
type dutyFlags struct {
	query
	outcome, by             string
	due, print, heat, watch bool
	limit, hours            int
}

// check refuses what does not go together.
func (d *dutyFlags) check(format string) error {
	ways := 0
	for _, on := range []bool{d.due, d.heat, d.by != ""} {
		if on {
			ways++
		}
	}
	switch {
	case ways > 1:
		return usagef("give one of --due, --heat and --by")
	case d.print && !d.due:
		return usagef("--print goes with --due")
	case d.watch && (!d.due || d.print):
		return usagef("--watch goes with --due, without --print")
	case d.watch && format == "csv":
		return usagef("--watch writes tables or JSON lines: leave -o csv out")
	case d.hours != 24 && !d.due:
		return usagef("--hours goes with --due")
	case d.hours < 1 || d.hours > 744:
		return usagef("--hours %d: want 1 to 744", d.hours)
	case d.due && d.from+d.to+d.week+d.month+d.since != "":
		return usagef("--due looks ahead from the newest data: leave the period out and give --hours")
	case ways > 0 && d.outcome != "":
		return usagef("--outcome is for the list of duties: leave --due, --heat and --by out")
	}
	return nil
}

func (a *app) dutiesCommand() *cobra.Command {
	var d dutyFlags
	c := &cobra.Command{Use: "duties", Short: "which cleaning was due, what became of it and what is due next, cautions first", Args: exactly(0),
		Long: `Which cleaning was due and what became of it, cautions first.

Without --due, --heat and --by: counts by station and the duties of the period, one a line.
--by gives the rate of duties done on time (on time + grace, of all that were done, late,
  missed or skipped; not required, unknown and open ones stay out) with its 95 % interval by
  Wilson's method, and the longest time a station of a press went without a clean.
--heat draws one mark per station and production day.
--due lists what is overdue and what comes due in the next 24 h (--hours) after the newest data
  of each press. Overdue tasks are ordered by risk: safety tasks, isolation, other hazards, the
  rest; then by intervals missed and age. Instants that follow from how the press will run are
  marked as expected: they come from the calendar and the pace of the last 28 days.
--due --print writes one plain page per press to pin to it: at most 80 columns and 60 lines,
  a form feed between pages.`,
		Example: "  downweb duties --since 7d --outcome missed\n  downweb duties --since 4w --by station\n  downweb duties --month 2026-06 --plant rhein --heat\n" +
			"  downweb duties --press rhein/p1 --due\n  downweb duties --plant rhein --due --print | lpr\n  downweb duties --due --hours 72 -o csv\n  downweb duties --plant rhein --due --watch"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := d.check(a.format); err != nil {
			return err
		}
		outcome, err := choose("outcome", d.outcome, dutyOutcomes)
		if err != nil {
			return err
		}
		group, err := choose("by", d.by, complianceGroups)
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			switch {
			case d.due:
				return a.dutiesDue(c.Context(), conn, &d)
			case d.heat, d.by != "":
				return a.dutiesCompliance(c.Context(), conn, &d, group)
			}
			return a.dutiesList(c.Context(), conn, &d, outcome)
		})
	}
	d.query.add(c)
	f := c.Flags()
	f.StringVar(&d.outcome, "outcome", "", "only "+strings.Join(keys(dutyOutcomes), ", "))
	f.IntVar(&d.limit, "limit", 100, "duties at most; 0: all")
	f.StringVar(&d.by, "by", "", "rates by "+strings.Join(keys(complianceGroups), ", "))
	f.BoolVar(&d.heat, "heat", false, "a map of stations and days")
	f.BoolVar(&d.due, "due", false, "what is overdue and due next")
	f.IntVar(&d.hours, "hours", 24, "with --due: hours to look ahead")
	f.BoolVar(&d.print, "print", false, "with --due: one page per press to pin to it")
	f.BoolVar(&d.watch, "watch", false, "with --due: go on and print the list again when it changes")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// dutiesList prints outcomes.
func (a *app) dutiesList(ctx context.Context, conn *grpc.ClientConn, d *dutyFlags, outcome pb.DutyOutcome) error {
	scope, period, err := d.query.resolve(ctx, conn)
	if err != nil {
		return err
	}
	all := &pb.ListDutiesResponse{}
	rest, err := pages(ctx, d.limit, func(ctx context.Context, size int32, token string) (int, string, error) {
		r, err := pb.NewDutyServiceClient(conn).ListDuties(ctx, &pb.ListDutiesRequest{Scope: scope, Period: period, Outcome: outcome, PageSize: size, PageToken: token})
		if err != nil {
			return 0, "", err
		}
		duties := append(all.Duties, r.GetDuties()...)
		all = r
		n, more := len(r.GetDuties()), r.GetNextPageToken()
		all.Duties, all.NextPageToken = duties, ""
		return n, more, nil
	})
	if err != nil {
		return err
	}
	switch a.format {
	case "json":
		return writeJSONMessage(a.out, all)
	case "csv", "parquet", "arrow":
		header, rows := dutiesCSV(all)
		return a.writeTable(header, rows, all)
	}
	printDuties(a.out, all, rest)
	return nil
}

// dutiesCompliance prints rates or the heat map.
func (a *app) dutiesCompliance(ctx context.Context, conn *grpc.ClientConn, d *dutyFlags, group pb.ComplianceGroup) error {
	scope, period, err := d.query.resolve(ctx, conn)
	if err != nil {
		return err
	}
	r, err := pb.NewDutyServiceClient(conn).GetCompliance(ctx, &pb.GetComplianceRequest{Scope: scope, Period: period, GroupBy: group, Cells: d.heat})
	if err != nil {
		return err
	}
	switch {
	case a.format == "json":
		return writeJSONMessage(a.out, r)
	case a.exporting() && d.heat:
		header, rows := cellsCSV(r)
		return a.writeTable(header, rows, r)
	case a.exporting():
		header, rows := complianceCSV(r)
		return a.writeTable(header, rows, r)
	}
	plants, err := plantsInScope(ctx, conn, scope)
	if err != nil {
		return err
	}
	var zones []string
	for _, p := range plants {
		zones = append(zones, p.GetZone())
	}
	if d.heat {
		printHeat(a.out, r, once(zones), dayOfWords(plants))
	} else {
		printCompliance(a.out, r, d.by, once(zones), dayOfWords(plants))
	}
	return nil
}

// dutiesDue prints what is due.
func (a *app) dutiesDue(ctx context.Context, conn *grpc.ClientConn, d *dutyFlags) error {
	scope, err := d.scope()
	if err != nil {
		return err
	}
	client := pb.NewDutyServiceClient(conn)
	if d.watch {
		s, err := client.WatchDueDuties(ctx, &pb.WatchDueDutiesRequest{Scope: scope, Hours: int32(d.hours)})
		if err != nil {
			return err
		}
		for {
			r, err := s.Recv()
			if ctx.Err() != nil {
				return nil // the user has seen enough
			}
			if err != nil {
				return err
			}
			if a.format == "json" {
				line, err := jsonLine(r.GetDue())
				if err != nil {
					return err
				}
				if _, err := a.out.Write(append(line, '\n')); err != nil {
					return err
				}
				continue
			}
			printDue(a.out, r.GetDue())
		}
	}
	r, err := client.ListDueDuties(ctx, &pb.ListDueDutiesRequest{Scope: scope, Hours: int32(d.hours)})
	if err != nil {
		return err
	}
	switch a.format {
	case "json":
		return writeJSONMessage(a.out, r)
	case "csv", "parquet", "arrow":
		header, rows := dueCSV(r)
		return a.writeTable(header, rows, r)
	}
	if d.print {
		return printDuePages(a.out, r)
	}
	printDue(a.out, r)
	return nil
}

// once leaves out what repeats.
func once(list []string) []string {
	var out []string
	seen := map[string]bool{}
	for _, s := range list {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}
