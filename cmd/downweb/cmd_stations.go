package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var stationGroups = map[string]pb.StationGroup{
	"press": pb.StationGroup_STATION_GROUP_PRESS, "kind": pb.StationGroup_STATION_GROUP_KIND,
	"plant": pb.StationGroup_STATION_GROUP_PLANT, "occasion": pb.StationGroup_STATION_GROUP_OCCASION,
}

func (a *app) stationsCommand() *cobra.Command {
	var q query
	var by string
	c := &cobra.Command{Use: "stations", Short: "how long each station takes to clean, against standard", Args: exactly(0),
		Example: "  downweb stations --since 4w\n  downweb stations --plant rhein --by press -o csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		group, err := choose("by", by, stationGroups)
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			r, err := pb.NewCleaningServiceClient(conn).ListStationTimes(c.Context(), &pb.ListStationTimesRequest{Scope: scope, Period: period, GroupBy: group})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv":
				header, rows := stationsCSV(r)
				return writeCSV(a.out, header, rows)
			}
			printStations(a.out, r)
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&by, "by", "", strings.Join(keys(stationGroups), ", "))
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func (a *app) sessionsCommand() *cobra.Command {
	var q query
	var limit int
	var visits bool
	c := &cobra.Command{Use: "sessions", Short: "cleaning sessions with their allowance and overrun", Args: exactly(0),
		Example: "  downweb sessions --press rhein/p1 --since 7d --visits"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			all := &pb.ListSessionsResponse{}
			rest, err := pages(c.Context(), limit, func(ctx context.Context, size int32, token string) (int, string, error) {
				r, err := pb.NewCleaningServiceClient(conn).ListSessions(ctx, &pb.ListSessionsRequest{Scope: scope, Period: period, PageSize: size, PageToken: token})
				if err != nil {
					return 0, "", err
				}
				all.Sessions = append(all.Sessions, r.GetSessions()...)
				all.Period, all.AsOf = r.GetPeriod(), r.GetAsOf()
				return len(r.GetSessions()), r.GetNextPageToken(), nil
			})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, all)
			case "csv":
				header, rows := sessionsCSV(all)
				return writeCSV(a.out, header, rows)
			}
			printSessions(a.out, all, visits, rest)
			return nil
		})
	}
	q.add(c)
	c.Flags().IntVar(&limit, "limit", 200, "sessions at most; 0: all")
	c.Flags().BoolVar(&visits, "visits", false, "list the stations of each session")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

var dutyOutcomes = map[string]pb.DutyOutcome{
	"": pb.DutyOutcome_DUTY_OUTCOME_UNSPECIFIED, "on-time": pb.DutyOutcome_DUTY_OUTCOME_ON_TIME, "late": pb.DutyOutcome_DUTY_OUTCOME_LATE,
	"missed": pb.DutyOutcome_DUTY_OUTCOME_MISSED, "skipped": pb.DutyOutcome_DUTY_OUTCOME_SKIPPED,
	"not-required": pb.DutyOutcome_DUTY_OUTCOME_NOT_REQUIRED, "unknown": pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN, "open": pb.DutyOutcome_DUTY_OUTCOME_OPEN,
}

func (a *app) dutiesCommand() *cobra.Command {
	var q query
	var outcome string
	var due bool
	var limit int
	c := &cobra.Command{Use: "duties", Short: "which cleaning was due and what became of it, cautions first", Args: exactly(0),
		Example: "  downweb duties --since 7d --outcome missed\n  downweb duties --press rhein/p1 --due"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if due {
			if outcome != "" && outcome != "open" {
				return usagef("--due lists open duties: leave --outcome out")
			}
			outcome = "open"
		}
		want, err := choose("outcome", outcome, dutyOutcomes)
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			all := &pb.ListDutiesResponse{}
			rest, err := pages(c.Context(), limit, func(ctx context.Context, size int32, token string) (int, string, error) {
				r, err := pb.NewDutyServiceClient(conn).ListDuties(ctx, &pb.ListDutiesRequest{Scope: scope, Period: period, Outcome: want, PageSize: size, PageToken: token})
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
			case "csv":
				header, rows := dutiesCSV(all)
				return writeCSV(a.out, header, rows)
			}
			printDuties(a.out, all, rest)
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&outcome, "outcome", "", "only "+strings.Join(keys(dutyOutcomes), ", "))
	c.Flags().BoolVar(&due, "due", false, "only what is open")
	c.Flags().IntVar(&limit, "limit", 100, "duties at most; 0: all")
	a.outputFlag(c, "table", "json", "csv")
	return c
}
