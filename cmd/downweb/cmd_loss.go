package main

import (
	"context"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var lossGroups = map[string]pb.LossGroup{
	"press": pb.LossGroup_LOSS_GROUP_PRESS, "kind": pb.LossGroup_LOSS_GROUP_KIND, "plant": pb.LossGroup_LOSS_GROUP_PLANT,
	"shift": pb.LossGroup_LOSS_GROUP_SHIFT, "station": pb.LossGroup_LOSS_GROUP_STATION, "day": pb.LossGroup_LOSS_GROUP_DAY,
	"week": pb.LossGroup_LOSS_GROUP_WEEK, "month": pb.LossGroup_LOSS_GROUP_MONTH, "family": pb.LossGroup_LOSS_GROUP_FAMILY,
}

var lossViews = map[string]pb.LossView{
	"semi-e10": pb.LossView_LOSS_VIEW_SEMI_E10, "six-losses": pb.LossView_LOSS_VIEW_SIX_LOSSES, "iso22400": pb.LossView_LOSS_VIEW_ISO22400,
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
	var by, as, to, against string
	var watch bool
	var e explainFlags
	c := &cobra.Command{Use: "loss", Short: "what maintenance and everything else cost, from planned busy time down", Args: exactly(0),
		Long: "What maintenance and everything else cost, from planned busy time down: one sentence, then the ladder of losses.\n" +
			"Columns add up as they are printed: points and times by largest remainder, money with a rounding line.",
		Example: "  downweb loss --since 7d\n  downweb loss --plant rhein --month 2026-06 --by press\n  downweb loss --week 2026-W26 --as six-losses\n" +
			"  downweb loss --week 2026-W26 --compare-to 2026-W25\n  downweb loss --press rhein/p1 --month 2026-06 --against rhein/p2\n" +
			"  downweb loss --since 7d --watch\n  downweb loss --month 2026-06 --by day -o parquet > june.parquet\n" +
			"  downweb loss --press rhein/p2 --week 2026-W25 --explain contamination_stop\n  downweb loss trend --since 26w\n  downweb loss indicators --month 2026-06 --by kind"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := e.check(c, by); err != nil {
			return err
		}
		if e.leaf != "" {
			if as != "" || to != "" || against != "" || watch {
				return usagef("--explain stands without --as, --compare-to, --against and --watch")
			}
			return a.ask(func(conn *grpc.ClientConn) error { return a.explainLoss(c.Context(), conn, &q, &e) })
		}
		group, err := choose("by", by, lossGroups)
		if err != nil {
			return err
		}
		view, err := choose("as", as, lossViews)
		if err != nil {
			return err
		}
		if to != "" || against != "" {
			if by != "" || as != "" || watch {
				return usagef("--compare-to and --against stand without --by, --as and --watch")
			}
			return a.compare(c.Context(), &q, to, against)
		}
		if watch && a.exporting() {
			return usagef("--watch writes tables or JSON")
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			one := func(ctx context.Context) (proto.Message, func(io.Writer) error, error) {
				return a.lossAnswer(ctx, conn, &q, group, view, as)
			}
			if watch {
				return a.watch(c.Context(), one)
			}
			_, write, err := one(c.Context())
			if err != nil {
				return err
			}
			return write(a.out)
		})
	}
	q.add(c)
	e.add(c)
	f := c.Flags()
	f.StringVar(&by, "by", "", strings.Join(keys(lossGroups), ", "))
	f.StringVar(&as, "as", "", "sort the same time into another scheme too: "+strings.Join(keys(lossViews), ", "))
	f.StringVar(&to, "compare-to", "", "set the period against another: 2026-W25, 2026-06, 2026-06-01..2026-06-07, or before")
	f.StringVar(&against, "against", "", "set the presses against another press (plant/press) or plant of the same kind")
	f.BoolVar(&watch, "watch", false, "go on: write it anew when the figures change, until interrupted")
	a.outputFlag(c, "table", "json", "csv", "parquet")
	c.AddCommand(a.lossTrendCommand(), a.lossIndicatorsCommand())
	return c
}

// lossAnswer asks for the tree and the sentence, and says how to write them. The message is what a change shows
// in.
func (a *app) lossAnswer(ctx context.Context, conn *grpc.ClientConn, q *query, group pb.LossGroup, view pb.LossView, as string) (proto.Message, func(io.Writer) error, error) {
	scope, period, err := q.resolve(ctx, conn)
	if err != nil {
		return nil, nil, err
	}
	losses := pb.NewLossServiceClient(conn)
	r, err := losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: scope, Period: period, GroupBy: group, View: view})
	if err != nil {
		return nil, nil, err
	}
	switch a.format {
	case "json":
		return r, func(w io.Writer) error { return writeJSONMessage(w, r) }, nil
	case "csv", "parquet", "arrow":
		return r, func(io.Writer) error { return writeRows(a, lossRows(r, as), r) }, nil
	}
	plants, err := plantsInScope(ctx, conn, scope)
	if err != nil {
		return nil, nil, err
	}
	summary, err := losses.GetLossSummary(ctx, &pb.GetLossSummaryRequest{Scope: scope, Period: period})
	if err != nil {
		return nil, nil, err
	}
	return r, func(w io.Writer) error {
		printLoss(w, lossPage{resp: r, scope: q.words(), dayOf: dayOfWords(plants), summary: summary, as: as})
		return nil
	}, nil
}
