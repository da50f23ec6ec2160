package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog"
)

func (a *app) keysCommand() *cobra.Command {
	return group("keys", "the keys that badges are made into pseudonyms with: list, forget", a.keysList(), a.keysForget())
}

// badges are the badge keys of the data directory or of the config's keys directory.
func (a *app) badges() (*eventlog.Badges, string, error) {
	cfg, err := a.loadConfig(nil)
	if err != nil {
		return nil, "", err
	}
	return eventlog.NewBadges(badgeDir(cfg)), badgeDir(cfg), nil
}

func (a *app) keysList() *cobra.Command {
	c := &cobra.Command{Use: "list", Short: "plants and months whose badge key is kept here", Args: exactly(0),
		Example: "  downweb keys list\n  downweb keys list -o csv"}
	c.RunE = func(*cobra.Command, []string) error {
		b, dir, err := a.badges()
		if err != nil {
			return err
		}
		list, err := b.Keys()
		if err != nil {
			return err
		}
		if a.exporting() {
			var rows [][]string
			for _, k := range list {
				rows = append(rows, []string{k.Plant, k.Month})
			}
			return a.writeTable([]string{"plant", "month"}, rows, nil)
		}
		if len(list) == 0 {
			fmt.Fprintf(a.out, "No badge key is kept in %s.\n", dir)
			return nil
		}
		g := newGrid("plant", "month")
		for _, k := range list {
			g.row(k.Plant, k.Month)
		}
		g.print(a.out)
		fmt.Fprintln(a.out, "Kept in "+dir+".")
		return nil
	}
	a.outputFlag(c, "table", "csv")
	return c
}

func (a *app) keysForget() *cobra.Command {
	var running bool
	c := &cobra.Command{Use: "forget PLANT MONTH", Short: "delete a month's badge key: who was who in it can no longer be told", Args: exactly(2),
		Long: "Deletes the key that the badges of a plant's crews were made into pseudonyms with in a UTC month.\n\n" +
			"After it nobody can tell from what is kept here which badge a pseudonym of that month stands for. It cannot be\n" +
			"undone. No event is changed: every session, visit, time, rate, median and total stays as it is, because they are\n" +
			"made from pseudonyms. What is recorded later for that month gets a new key, so a late sign-off begins a chain of\n" +
			"its own.\n\n" +
			"It reaches this directory only. Copies of the key in backups, and on other machines whose agents or api share it,\n" +
			"must be deleted there. It does not make a badge unguessable to somebody who kept a copy of the key.",
		Example: "  downweb keys list\n  downweb keys forget rhein 2026-05"}
	c.RunE = func(_ *cobra.Command, args []string) error {
		k := eventlog.BadgeKey{Plant: args[0], Month: args[1]}
		first, err := time.Parse("2006-01", k.Month)
		if err != nil || !slug.MatchString(k.Plant) {
			return usagef("want a plant's slug and a month, e.g. rhein 2026-05, got %q %q", k.Plant, k.Month)
		}
		if !running && !time.Now().UTC().After(first.AddDate(0, 1, 0)) {
			return usagef("%s is not over: a key deleted now would cut the chains of sessions in progress in two; --running does it all the same", k.Month)
		}
		b, dir, err := a.badges()
		if err != nil {
			return err
		}
		if err := b.Forget(k); err != nil {
			return err
		}
		wrapped(a.out, "", "  ", fmt.Sprintf("The badge key of %s for %s is deleted from %s. Sessions, times and totals stay as they are.", k.Plant, k.Month, dir))
		wrapped(a.out, "", "  ", "Copies may be left: delete them in backups made since that month began, and on every machine whose agent or api has its own copy of the keys directory.")
		return nil
	}
	c.Flags().BoolVar(&running, "running", false, "also a month that is not over")
	return c
}
