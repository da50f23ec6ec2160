package main

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// explainFlags ask for what is behind one leaf instead of the tree.
type explainFlags struct {
	leaf    string
	outside bool
	limit   int
}

func (e *explainFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&e.leaf, "explain", "", "list every stretch booked to this leaf and why, e.g. contamination_stop; also booked_excess, note_spill")
	c.Flags().BoolVar(&e.outside, "outside", false, "with --explain: the leaf outside planned time")
	c.Flags().IntVar(&e.limit, "limit", 100, "with --explain: stretches at most; 0: all")
}

// check refuses flags that say nothing without --explain.
func (e *explainFlags) check(c *cobra.Command, by string) error {
	if e.leaf == "" && (e.outside || c.Flags().Changed("limit")) {
		return usagef("--outside and --limit go with --explain")
	}
	if e.leaf != "" && by != "" {
		return usagef("give --explain or --by, not both")
	}
	return nil
}

// explainLoss lists what is behind a leaf, page by page, as one answer.
func (a *app) explainLoss(ctx context.Context, conn *grpc.ClientConn, q *query, e *explainFlags) error {
	scope, period, err := q.resolve(ctx, conn)
	if err != nil {
		return err
	}
	all := &pb.ExplainLossResponse{}
	rest, err := pages(ctx, e.limit, func(ctx context.Context, size int32, token string) (int, string, error) {
		r, err := pb.NewLossServiceClient(conn).ExplainLoss(ctx, &pb.ExplainLossRequest{Scope: scope, Period: period, Leaf: e.leaf, Outside: e.outside, PageSize: size, PageToken: token})
		if err != nil {
			return 0, "", err
		}
		all.Pieces, all.Notes = append(all.Pieces, r.GetPieces()...), append(all.Notes, r.GetNotes()...)
		all.Leaf, all.Period, all.AsOf, all.NextPageToken = r.GetLeaf(), r.GetPeriod(), r.GetAsOf(), r.GetNextPageToken()
		return len(r.GetPieces()), r.GetNextPageToken(), nil
	})
	if err != nil {
		return err
	}
	switch a.format {
	case "json":
		return writeJSONMessage(a.out, all)
	case "csv", "parquet", "arrow":
		header, rows := explainCSV(all)
		return a.writeTable(header, rows, all)
	}
	plants, err := plantsInScope(ctx, conn, scope)
	if err != nil {
		return err
	}
	printExplain(a.out, explainPage{resp: all, scope: q.words(), outside: e.outside, rest: rest, zones: zonesOf(plants)})
	return nil
}
