package main

import (
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var seriesSteps = map[string]pb.SeriesStep{
	"week": pb.SeriesStep_SERIES_STEP_WEEK, "day": pb.SeriesStep_SERIES_STEP_DAY, "month": pb.SeriesStep_SERIES_STEP_MONTH,
}

func (a *app) lossTrendCommand() *cobra.Command {
	var q query
	var step string
	var series []string
	c := &cobra.Command{Use: "trend", Short: "losses week by week, their usual variation, and what changed", Args: exactly(0),
		Long: "Losses week by week with the limits of usual variation (an individuals chart), and what changed, dearest first.\n" +
			"Parts of a week, and weeks of which less than 90 % is known, are shown but left out of limits and signals.",
		Example: "  downweb loss trend --since 26w\n  downweb loss trend --plant rhein --from 2026-01-05 --series dirt\n  downweb loss trend --since 26w --series oee,cleaning -o csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		by, err := choose("step", step, seriesSteps)
		if err != nil {
			return err
		}
		if q.periodFlags == (periodFlags{}) {
			q.since = "26w"
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			r, err := pb.NewLossServiceClient(conn).ListLossSeries(c.Context(), &pb.ListLossSeriesRequest{Scope: scope, Period: period, Step: by, Series: series})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv", "parquet", "arrow":
				return writeRows(a, seriesRows(r), r)
			}
			plants, err := plantsInScope(c.Context(), conn, scope)
			if err != nil {
				return err
			}
			printLossTrend(a.out, r, q.words(), zoneNames(plants), dayOfWords(plants))
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&step, "step", "week", strings.Join(keys(seriesSteps), ", "))
	c.Flags().StringSliceVar(&series, "series", nil, "only these: oee, availability, effectiveness, quality, cleaning, dirt, or slugs of leaves; one alone is listed step by step")
	a.outputFlag(c, "table", "json", "csv", "parquet")
	return c
}

// zoneNames of plants, each once.
func zoneNames(plants []*pb.Plant) []string {
	var out []string
	seen := map[string]bool{}
	for _, p := range plants {
		if z := p.GetZone(); !seen[z] {
			seen[z] = true
			out = append(out, z)
		}
	}
	return out
}

var indicatorGroups = map[string]pb.LossGroup{
	"press": pb.LossGroup_LOSS_GROUP_PRESS, "kind": pb.LossGroup_LOSS_GROUP_KIND, "plant": pb.LossGroup_LOSS_GROUP_PLANT,
}

func (a *app) lossIndicatorsCommand() *cobra.Command {
	var q query
	var by string
	c := &cobra.Command{Use: "indicators", Short: "the indicators of ISO 22400-2 that the data allows, MTBF and MTTR with limits", Args: exactly(0),
		Example: "  downweb loss indicators --month 2026-06\n  downweb loss indicators --since 4w --by press\n  downweb loss indicators --plant rhein --since 26w -o csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		group, err := choose("by", by, indicatorGroups)
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			r, err := pb.NewLossServiceClient(conn).GetIndicators(c.Context(), &pb.GetIndicatorsRequest{Scope: scope, Period: period, GroupBy: group})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv", "parquet", "arrow":
				return writeRows(a, indicatorRows(r), r)
			}
			plants, err := plantsInScope(c.Context(), conn, scope)
			if err != nil {
				return err
			}
			printIndicators(a.out, r, q.words(), zoneNames(plants), dayOfWords(plants))
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&by, "by", "", strings.Join(keys(indicatorGroups), ", "))
	a.outputFlag(c, "table", "json", "csv", "parquet")
	return c
}
