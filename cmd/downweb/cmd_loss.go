package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var lossGroups = map[string]pb.LossGroup{
	"press": pb.LossGroup_LOSS_GROUP_PRESS, "kind": pb.LossGroup_LOSS_GROUP_KIND, "plant": pb.LossGroup_LOSS_GROUP_PLANT,
	"shift": pb.LossGroup_LOSS_GROUP_SHIFT, "station": pb.LossGroup_LOSS_GROUP_STATION, "day": pb.LossGroup_LOSS_GROUP_DAY,
	"week": pb.LossGroup_LOSS_GROUP_WEEK, "month": pb.LossGroup_LOSS_GROUP_MONTH, "family": pb.LossGroup_LOSS_GROUP_FAMILY,
}

// choose finds a flag's value among names.
func choose[T any](flag, value string, names map[string]T) (T, error) {
	v, ok := names[value]
	if !ok && value != "" {
		return v, usagef("--%s %q: want %s", flag, value, strings.Join(keys(names), ", "))
	}
	return v, nil
}

func keys[T any](m map[string]T) []string {
	var out []string
	for k := range m {
		if k != "" {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

func (a *app) lossCommand() *cobra.Command {
	var q query
	var by string
	c := &cobra.Command{Use: "loss", Short: "what maintenance and everything else cost, from planned busy time down", Args: exactly(0),
		Example: "  downweb loss --since 7d\n  downweb loss --plant rhein --month 2026-06 --by press\n  downweb loss --week 2026-W26 -o csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		group, err := choose("by", by, lossGroups)
		if err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			scope, period, err := q.resolve(c.Context(), conn)
			if err != nil {
				return err
			}
			r, err := pb.NewLossServiceClient(conn).GetLosses(c.Context(), &pb.GetLossesRequest{Scope: scope, Period: period, GroupBy: group})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv":
				header, rows := lossCSV(r)
				return writeCSV(a.out, header, rows)
			}
			plants, err := plantsInScope(c.Context(), conn, scope)
			if err != nil {
				return err
			}
			printLoss(a.out, lossPage{resp: r, scope: q.words(), dayOf: dayOfWords(plants)})
			return nil
		})
	}
	q.add(c)
	c.Flags().StringVar(&by, "by", "", strings.Join(keys(lossGroups), ", "))
	a.outputFlag(c, "table", "json", "csv")
	return c
}
