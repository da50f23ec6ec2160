package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Help shows how a command is called: every one that does something has an
// example with the words it is called by.
func TestHelpHasExamples(t *testing.T) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for _, sub := range c.Commands() {
			if sub.Name() != "help" && sub.Name() != "completion" && !sub.Hidden {
				walk(sub)
			}
		}
		if c.Example == "" && c.HasSubCommands() {
			return // its help lists them
		}
		if !strings.Contains(c.Example, c.CommandPath()) {
			t.Errorf("%s: no example that calls it:\n%s", c.CommandPath(), c.Example)
		}
	}
	walk((&app{}).root())
}
