package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
)

// largestAnswer bounds one message of an api, bytes.
const largestAnswer = 256 << 20

// dial finds the api, by --addr or in the data directory, and connects at the first call.
func (a *app) dial() (*grpc.ClientConn, error) {
	addr := a.addr
	if addr == "" {
		dir := a.dataDir
		if dir == "" {
			dir = lookup(a.environ, "DOWNWEB_DATA_DIR")
		}
		if dir == "" {
			state, err := stateDir(a.environ)
			if err != nil {
				return nil, usageError{err}
			}
			dir = filepath.Join(state, a.defaultName)
		}
		e, err := dataDir(dir).readEndpoints()
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("nothing runs in %s: start it with \"downweb up --data-dir %s\", or give --addr", dir, dir)
		}
		if err != nil {
			return nil, err
		}
		addr = e.GRPC
	}
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largestAnswer)))
	if err != nil {
		return nil, usagef("--addr %s: %w", addr, err)
	}
	return conn, nil
}

// ask connects, runs f and disconnects.
func (a *app) ask(f func(conn *grpc.ClientConn) error) error {
	conn, err := a.dial()
	if err != nil {
		return err
	}
	defer conn.Close()
	a.conn = conn
	defer func() { a.conn = nil }()
	if err := f(conn); err != nil {
		if code := status.Code(err); code == codes.InvalidArgument {
			return usageError{err}
		}
		return err
	}
	return nil
}

// explain is an error for people: an api's status without its code's name, with the fields it names.
func explain(err error) string {
	st, ok := grpcStatus(err)
	if !ok {
		return err.Error()
	}
	text := st.Message()
	var fields []string
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				fields = append(fields, v.GetField()+": "+v.GetDescription())
			}
		case *errdetails.ResourceInfo:
			if !strings.Contains(text, d.GetResourceName()) {
				text += " (" + d.GetResourceType() + " " + d.GetResourceName() + ")"
			}
		}
	}
	if len(fields) > 0 {
		text = strings.Join(fields, "; ")
	}
	switch st.Code() {
	case codes.Unavailable:
		return "the api cannot be reached or waits for a part of the line, try again: " + text
	case codes.DeadlineExceeded:
		return "no answer in time: " + text
	case codes.Unimplemented:
		return "the api does not know this request (is it of another version?): " + text
	case codes.Canceled:
		return "interrupted"
	}
	return text
}

func grpcStatus(err error) (*status.Status, bool) {
	var s interface{ GRPCStatus() *status.Status }
	if err == nil || !errors.As(err, &s) {
		return nil, false
	}
	return s.GRPCStatus(), true
}

// outputFlag adds -o with the formats of a command; the first is the default. A command that writes CSV writes the other
// formats for programs too, and has --out.
func (a *app) outputFlag(c *cobra.Command, formats ...string) {
	if slices.Contains(formats, fileFormats[0]) {
		formats = append(slices.DeleteFunc(slices.Clone(formats), func(f string) bool { return slices.Contains(fileFormats, f) }), fileFormats...)
		a.exportFlag(c)
	}
	a.formatFlag(c, formats...)
}

// formatFlag adds -o alone.
func (a *app) formatFlag(c *cobra.Command, formats ...string) {
	format := c.Flags().StringP("output", "o", formats[0], strings.Join(formats, ", "))
	c.RegisterFlagCompletionFunc("output", cobra.FixedCompletions(formats, cobra.ShellCompDirectiveNoFileComp))
	inner := c.RunE
	c.RunE = func(c *cobra.Command, args []string) error {
		if a.format = *format; !slices.Contains(formats, a.format) {
			return usagef("-o %s: want %s", a.format, strings.Join(formats, ", "))
		}
		return inner(c, args)
	}
}

// pages calls next with the token of each page until there is no more or enough rows are there.
func pages(ctx context.Context, limit int, next func(ctx context.Context, size int32, token string) (n int, more string, err error)) (rest bool, err error) {
	token := ""
	for got := 0; ; {
		size := 1000
		if limit > 0 {
			size = min(size, limit-got)
		}
		n, more, err := next(ctx, int32(size), token)
		if err != nil {
			return false, err
		}
		got += n
		if more == "" {
			return false, nil
		}
		if limit > 0 && got >= limit {
			return true, nil
		}
		if more == token {
			return false, errors.New("the api repeats a page")
		}
		token = more
	}
}
