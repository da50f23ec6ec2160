package main

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// otherPeriod reads the value of --compare-to. "before" is as many days as the period, right before it.
func otherPeriod(text string, p *pb.Period) (*pb.Period, error) {
	if text == "before" {
		first, err := time.Parse(time.DateOnly, p.GetFirstDay())
		if err != nil {
			return nil, err
		}
		last, err := time.Parse(time.DateOnly, p.GetLastDay())
		if err != nil {
			return nil, err
		}
		days := int(last.Sub(first)/(24*time.Hour)) + 1
		return &pb.Period{FirstDay: first.AddDate(0, 0, -days).Format(time.DateOnly), LastDay: first.AddDate(0, 0, -1).Format(time.DateOnly)}, nil
	}
	var f periodFlags
	from, to, ranged := strings.Cut(text, "..")
	switch {
	case ranged:
		f.from, f.to = from, to
		if from == "" || to == "" {
			return nil, usagef("--compare-to %q: want FIRST..LAST", text)
		}
	case isoWeek.MatchString(text):
		f.week = text
	case len(text) == len("2026-06"):
		f.month = text
	default:
		f.from, f.to = text, text
	}
	out, err := f.resolve(func() (time.Time, error) { return time.Time{}, usagef("--compare-to %q: no open end", text) })
	if err != nil {
		return nil, usagef("--compare-to %q: want a week, a month, a day, FIRST..LAST or before: %w", text, err)
	}
	return out, nil
}

// otherScope reads the value of --against: a press or a plant.
func otherScope(text string) (*pb.Scope, error) {
	s := scopeFlags{plants: []string{text}}
	if strings.Contains(text, "/") {
		s = scopeFlags{presses: []string{text}}
	}
	out, err := s.scope()
	if err != nil {
		return nil, usagef("--against %q: want plant/press or a plant", text)
	}
	return out, nil
}

// compare asks for the difference: what the query names, less what it is set against.
func (a *app) compare(ctx context.Context, q *query, to, against string) error {
	return a.ask(func(conn *grpc.ClientConn) error {
		scope, period, err := q.resolve(ctx, conn)
		if err != nil {
			return err
		}
		page := comparePage{scopeA: q.words(), scopeB: q.words(), periodA: period, periodB: period}
		req := &pb.CompareLossesRequest{ScopeA: scope, ScopeB: scope, PeriodA: period, PeriodB: period}
		if to != "" {
			if req.PeriodA, err = otherPeriod(to, period); err != nil {
				return err
			}
			page.periodA = req.PeriodA
		}
		if against != "" {
			if req.ScopeA, err = otherScope(against); err != nil {
				return err
			}
			page.scopeA = against
		}
		if page.resp, err = pb.NewLossServiceClient(conn).CompareLosses(ctx, req); err != nil {
			return err
		}
		switch a.format {
		case "json":
			return writeJSONMessage(a.out, page.resp)
		case "csv", "parquet", "arrow":
			return writeRows(a, differenceRows(&page), page.resp)
		}
		plants, err := plantsInScope(ctx, conn, scope)
		if err != nil {
			return err
		}
		page.zones, page.dayOf = zoneNames(plants), dayOfWords(plants)
		printCompare(a.out, &page)
		return nil
	})
}
