package main

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var stationGroups = map[string]pb.StationGroup{
	"press": pb.StationGroup_STATION_GROUP_PRESS, "kind": pb.StationGroup_STATION_GROUP_KIND,
	"plant": pb.StationGroup_STATION_GROUP_PLANT, "occasion": pb.StationGroup_STATION_GROUP_OCCASION,
	"shift": pb.StationGroup_STATION_GROUP_SHIFT,
}

func (a *app) stationsCommand() *cobra.Command {
	var q query
	var by string
	c := &cobra.Command{Use: "stations", Short: "how long each station takes to clean, against standard", Args: exactly(0),
		Long: "How long each station takes to clean, against standard: median, 90th percentile and mean of a visit, hours a\n" +
			"month, and how the stations' time adds up to the overrun of the loss tree.\n\n" +
			"By shift, a cell is shown only with at least 5 badges and 20 sessions in it and in all others together.",
		Example: "  downweb stations --since 4w\n  downweb stations --plant rhein --by press -o csv\n" +
			"  downweb stations trend --since 26w --station uv-1\n  downweb stations proposals --since 26w"}
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
			case "csv", "parquet", "arrow":
				header, rows := stationsCSV(r)
				return a.writeTable(header, rows, r)
			}
			printStations(a.out, r)
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&by, "by", "", strings.Join(keys(stationGroups), ", "))
	a.outputFlag(c, "table", "json", "csv")
	c.AddCommand(a.stationsTrend(), a.stationsProposals(), a.stationsReliability(), a.stationsLife())
	return c
}

// cleaningAnswer is a command that asks one question about a scope and period and
// writes the answer in the format asked for.
func cleaningAnswer[T proto.Message](a *app, c *cobra.Command, ask func(ctx context.Context, cl pb.CleaningServiceClient, scope *pb.Scope, period *pb.Period) (T, error),
	csv func(T) (header []string, rows [][]string), table func(io.Writer, T)) *cobra.Command {
	var q query
	c.Args = exactly(0)
	c.RunE = func(c *cobra.Command, _ []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			r, err := ask(c.Context(), pb.NewCleaningServiceClient(conn), scope, period)
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv", "parquet", "arrow":
				header, rows := csv(r)
				return a.writeTable(header, rows, r)
			}
			table(a.out, r)
			return nil
		})
	}
	q.add(c)
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func (a *app) stationsTrend() *cobra.Command {
	var station string
	c := cleaningAnswer(a, &cobra.Command{Use: "trend", Short: "a station's weekly median on a chart of individual values, with limits and signals",
		Example: "  downweb stations trend --since 26w --station uv-1\n  downweb stations trend --plant rhein --from 2026-01-01 --to 2026-06-28 -o csv"},
		func(ctx context.Context, cl pb.CleaningServiceClient, scope *pb.Scope, period *pb.Period) (*pb.ListStationTrendResponse, error) {
			return cl.ListStationTrend(ctx, &pb.ListStationTrendRequest{Scope: scope, Period: period, Station: station})
		}, trendCSV, printTrend)
	c.Flags().StringVar(&station, "station", "", "only this station")
	return c
}

func (a *app) stationsProposals() *cobra.Command {
	return cleaningAnswer(a, &cobra.Command{Use: "proposals", Short: "observed times beside the plan's standards, never for isolation",
		Example: "  downweb stations proposals --since 26w\n  downweb stations proposals --plant rhein --since 26w -o json"},
		func(ctx context.Context, cl pb.CleaningServiceClient, scope *pb.Scope, period *pb.Period) (*pb.ListStandardProposalsResponse, error) {
			return cl.ListStandardProposals(ctx, &pb.ListStandardProposalsRequest{Scope: scope, Period: period})
		}, proposalsCSV, printProposals)
}

func (a *app) stationsReliability() *cobra.Command {
	return cleaningAnswer(a, &cobra.Command{Use: "reliability", Short: "time between failures and time to restoration, by press and station",
		Example: "  downweb stations reliability --since 26w\n  downweb stations reliability --press rhein/p1 --month 2026-06"},
		func(ctx context.Context, cl pb.CleaningServiceClient, scope *pb.Scope, period *pb.Period) (*pb.ListReliabilityResponse, error) {
			return cl.ListReliability(ctx, &pb.ListReliabilityRequest{Scope: scope, Period: period})
		}, reliabilityCSV, printReliability)
}
