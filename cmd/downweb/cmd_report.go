package main

import (
	"bytes"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
)

func (a *app) reportCommand() *cobra.Command {
	return group("report", "a week of a plant on paper", a.reportWeek())
}

func (a *app) reportWeek() *cobra.Command {
	var plant, week, file string
	text := false
	c := &cobra.Command{Use: "week", Short: "what a week's maintenance cost a plant: a page that prints on A4, or a plain-text digest", Args: exactly(0),
		Long: "What a week's maintenance cost a plant: one sentence, the week before beside it, the ladder of losses, presses,\n" +
			"stations and duties, figures that were signed and have moved since, and the cautions.\n\n" +
			"The page is one HTML file that asks nobody for anything; it prints on A4. --text is for a mail or a terminal.",
		Example: "  downweb report week --plant rhein --week 2026-W25 -o week25.html\n  downweb report week --plant rhein --week 2026-W25 --text\n  downweb report week --plant rhein -o last-week.html"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if !slug.MatchString(plant) {
			return usagef("--plant %q: want a plant's slug, e.g. rhein", plant)
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := gatherWeek(c.Context(), conn, plant, week)
			if err != nil {
				return err
			}
			var b bytes.Buffer
			if text {
				r.text(&b)
			} else if err := r.html(&b); err != nil {
				return err
			}
			if file == "" || file == "-" {
				_, err := b.WriteTo(a.out)
				return err
			}
			if err := replaceFile(file, b.Bytes()); err != nil {
				return fmt.Errorf("-o: %w", err)
			}
			fmt.Fprintf(a.err, "%s: plant %s, week %s\n", file, plant, r.Week)
			return nil
		})
	}
	f := c.Flags()
	f.StringVar(&plant, "plant", "", "the plant's slug")
	f.StringVar(&week, "week", "", "ISO week, e.g. 2026-W25 (default: the last one that the newest data has ended)")
	f.StringVarP(&file, "output", "o", "", "file to write (default: stdout)")
	f.BoolVar(&text, "text", false, "a plain-text digest of at most 100 columns instead of the page")
	if err := c.MarkFlagFilename("output", "html", "txt"); err != nil {
		panic(err)
	}
	return c
}
