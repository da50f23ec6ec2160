package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) sessionsCommand() *cobra.Command {
	var q query
	var limit int
	var visits, watch bool
	c := &cobra.Command{Use: "sessions", Short: "cleaning sessions with their allowance and overrun; --watch: those in progress", Args: exactly(0),
		Long: "Cleaning sessions with their allowance and overrun, and what was stated when the press was handed back.\n\n" +
			"--watch shows the sessions in progress, station by station, with their expected end, until interrupted. It shows\n" +
			"the work of a few people and is for the plant's own engineer only; this api has no roles yet: keep its address\n" +
			"to those who may see it.",
		Example: "  downweb sessions --press rhein/p1 --since 7d --visits\n  downweb sessions --month 2026-06 --limit 0 -o csv\n  downweb sessions --watch --plant rhein"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if watch {
			if visits || c.Flags().Changed("limit") || a.exporting() || q.periodFlags != (periodFlags{}) {
				return usagef("--watch shows what is in progress, as a table or as JSON lines: leave the period, --limit and --visits out")
			}
			return a.watchSessions(c.Context(), &q)
		}
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
				all.Period, all.AsOf, all.HandBack, all.Cautions = r.GetPeriod(), r.GetAsOf(), r.GetHandBack(), r.GetCautions()
				return len(r.GetSessions()), r.GetNextPageToken(), nil
			})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, all)
			case "csv", "parquet", "arrow":
				header, rows := sessionsCSV(all)
				return a.writeTable(header, rows, all)
			}
			printSessions(a.out, all, visits, rest)
			return nil
		})
	}
	q.add(c)
	c.Flags().IntVar(&limit, "limit", 200, "sessions at most; 0: all")
	c.Flags().BoolVar(&watch, "watch", false, "sessions in progress, until interrupted")
	c.Flags().BoolVar(&visits, "visits", false, "list the stations of each session")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// watchSessions prints the sessions in progress whenever they change, until
// interrupted; a lost connection is taken up again.
func (a *app) watchSessions(ctx context.Context, q *query) error {
	scope, err := q.scope()
	if err != nil {
		return err
	}
	return a.ask(func(conn *grpc.ClientConn) error {
		for wait, begun := time.Second, false; ; {
			stream, err := pb.NewCleaningServiceClient(conn).WatchSessions(ctx, &pb.WatchSessionsRequest{Scope: scope})
			for err == nil {
				var r *pb.WatchSessionsResponse
				if r, err = stream.Recv(); err != nil {
					break
				}
				wait = time.Second
				if a.format == "json" {
					var line []byte
					if line, err = jsonLine(r); err == nil {
						_, err = fmt.Fprintf(a.out, "%s\n", line)
					}
				} else {
					printOpenSessions(a.out, r, !begun)
				}
				begun = true
			}
			switch {
			case ctx.Err() != nil:
				return nil
			case errors.Is(err, io.EOF) || begun && status.Code(err) == codes.Unavailable:
				fmt.Fprintf(a.err, "connection lost, trying again in %v\n", wait)
			default:
				return err
			}
			select {
			case <-ctx.Done():
				return nil
			case <-time.After(wait):
			}
			wait = min(2*wait, 30*time.Second)
		}
	})
}
