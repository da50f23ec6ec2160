package main

import (
	"fmt"
	"os"
	"runtime/debug"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// manCommand writes the manual that the commands' own help makes.
func (a *app) manCommand() *cobra.Command {
	c := &cobra.Command{Use: "man DIR", Short: "write a manual page for every command into a folder", Args: exactly(1),
		Long:    "Write a manual page for every command into a folder, e.g. one on MANPATH.",
		Example: "  downweb man /usr/local/share/man/man1\n  downweb man . && man ./downweb-loss.1"}
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := os.MkdirAll(args[0], 0o777); err != nil {
			return err
		}
		at := manualDate(a.environ)
		root := c.Root()
		root.DisableAutoGenTag = true // no date of today: the same program writes the same pages
		if err := doc.GenManTree(root, &doc.GenManHeader{Section: "1", Manual: "downweb", Source: "downweb " + programVersion(), Date: &at}, args[0]); err != nil {
			return fmt.Errorf("write manual: %w", err)
		}
		return nil
	}
	return c
}

// manualDate is SOURCE_DATE_EPOCH (reproducible-builds.org), else the commit's, else the epoch: never today's.
func manualDate(environ []string) time.Time {
	if n, err := strconv.ParseInt(lookup(environ, "SOURCE_DATE_EPOCH"), 10, 64); err == nil {
		return time.Unix(n, 0).UTC()
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.time" {
				if t, err := time.Parse(time.RFC3339, s.Value); err == nil {
					return t.UTC()
				}
			}
		}
	}
	return time.Unix(0, 0).UTC()
}
