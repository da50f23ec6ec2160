package main

import "github.com/spf13/cobra"

// benchCommand groups what measures or shakes a line of its own.
func (a *app) benchCommand() *cobra.Command {
	return group("bench", "measure the line, or shake it, in a directory of its own", a.benchFaults(), a.benchHonesty(), a.benchIngest(), a.benchLoss(), a.benchRebuild(), a.benchStudy())
}
