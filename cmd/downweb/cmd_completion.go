package main

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// completionPatience is how long a shell waits for the names of a registry.
const completionPatience = 2 * time.Second

// completeNames lets shells complete plants, presses and kinds from the registry of the api that would be asked, and
// folders where a folder is wanted. Without an api nothing is offered.
func (a *app) completeNames(c *cobra.Command) {
	for flag, names := range map[string]func(p *pb.Plant) []string{
		"plant": func(p *pb.Plant) []string { return []string{p.GetPlant()} },
		"press": func(p *pb.Plant) (out []string) {
			for _, x := range p.GetPresses() {
				out = append(out, p.GetPlant()+"/"+x.GetPress())
			}
			return out
		},
		"kind": func(p *pb.Plant) (out []string) {
			for _, x := range p.GetPresses() {
				out = append(out, x.GetKind())
			}
			return out
		},
	} {
		if c.Flags().Lookup(flag) == nil {
			continue
		}
		err := c.RegisterFlagCompletionFunc(flag, func(c *cobra.Command, _ []string, begun string) ([]string, cobra.ShellCompDirective) {
			return a.names(c.Context(), begun, names), cobra.ShellCompDirectiveNoFileComp
		})
		if err != nil {
			panic(err) // the flag is there, and nobody else completes it
		}
	}
	for _, sub := range c.Commands() {
		a.completeNames(sub)
	}
}

// names asks the registry; a list's earlier members, before a comma, stay.
func (a *app) names(ctx context.Context, begun string, of func(p *pb.Plant) []string) (out []string) {
	conn, err := a.dial()
	if err != nil {
		return nil
	}
	defer conn.Close()
	if ctx == nil {
		ctx = context.Background()
	}
	ctx, stop := context.WithTimeout(ctx, completionPatience)
	defer stop()
	plants, err := plantsInScope(ctx, conn, &pb.Scope{})
	if err != nil {
		return nil
	}
	before := begun[:strings.LastIndex(begun, ",")+1]
	for _, p := range plants {
		for _, name := range of(p) {
			if name != "" && strings.HasPrefix(before+name, begun) {
				out = append(out, before+name)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
