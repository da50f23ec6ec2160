package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/tablefile"
)

// fileFormats are the formats that other programs read; a command that writes one of them writes all.
var fileFormats = []string{string(tablefile.CSV), string(tablefile.Parquet), string(tablefile.Arrow)}

// exporting says whether a table for other programs is asked for.
func (a *app) exporting() bool { return slices.Contains(fileFormats, a.format) }

// exportFlag adds --out to a command that writes tables.
func (a *app) exportFlag(c *cobra.Command) {
	c.Flags().StringVar(&a.outFile, "out", "", "with -o csv, parquet or arrow: write FILE, and FILE.manifest.json beside it")
	inner := c.RunE
	c.RunE = func(c *cobra.Command, args []string) error {
		a.command, a.arguments = c, args
		if a.outFile != "" && !a.exporting() {
			return usagef("--out goes with -o %s", strings.Join(fileFormats, ", "))
		}
		if f, ok := a.out.(*os.File); ok && a.outFile == "" && a.exporting() && a.format != string(tablefile.CSV) && term.IsTerminal(int(f.Fd())) {
			return usagef("-o %s is not for a terminal: give --out, or send it to a file", a.format)
		}
		return inner(c, args)
	}
}

// writeTable exports a table of texts; what each column is, columns.go says. Answer is what the rows were made of.
func (a *app) writeTable(header []string, rows [][]string, answer proto.Message) error {
	t, err := typedTable(a.tableName(), header, rows)
	if err != nil {
		return err
	}
	return a.export(t, answer)
}

// writeRows exports rows of a struct with col tags.
func writeRows[T any](a *app, rows []T, answer proto.Message) error {
	t := tablefile.FromRows(a.tableName(), rows)
	for i := range t.Columns {
		t.Columns[i].Unit = unitOf(t.Columns[i].Name)
	}
	return a.export(t, answer)
}

// tableName is the command's words without the program's.
func (a *app) tableName() string {
	if a.command == nil {
		return "table"
	}
	_, words, _ := strings.Cut(a.command.CommandPath(), " ")
	return strings.ReplaceAll(words, " ", "-")
}

// export writes a table to stdout, or to a file with its manifest.
func (a *app) export(t *tablefile.Table, answer proto.Message) error {
	format := tablefile.Format(a.format)
	if a.outFile == "" {
		return tablefile.Write(a.out, format, t)
	}
	m, err := a.manifest(answer)
	if err != nil {
		return err
	}
	file, done, err := tablefile.Make(format, t, m)
	if err != nil {
		return err
	}
	text, err := done.JSON()
	if err != nil {
		return err
	}
	if err := errors.Join(replaceFile(a.outFile, file), replaceFile(a.outFile+".manifest.json", text)); err != nil {
		return fmt.Errorf("--out: %w", err)
	}
	fmt.Fprintf(a.err, "%s: %s, SHA-256 %s\n", a.outFile, plural(int64(done.Rows), "row", "rows"), done.SHA256)
	return nil
}

// replaceFile writes beside and renames, so that nobody reads half a file.
func replaceFile(name string, text []byte) error {
	part := name + ".part"
	if err := os.WriteFile(part, text, 0o666); err != nil {
		return err
	}
	return os.Rename(part, name)
}

// notParameters are flags that say where to ask and how to write, not what.
var notParameters = []string{"output", "out", "data-dir", "config", "addr"}

// manifest says what was asked and what the answer says of itself.
func (a *app) manifest(answer proto.Message) (tablefile.Manifest, error) {
	m := tablefile.Manifest{Query: a.command.CommandPath(), Parameters: map[string]string{}, Version: programVersion()}
	a.command.Flags().Visit(func(f *pflag.Flag) {
		if !slices.Contains(notParameters, f.Name) {
			m.Parameters[f.Name] = f.Value.String()
		}
	})
	for i, arg := range a.arguments {
		m.Parameters["argument "+strconv.Itoa(i+1)] = arg
	}
	if a.conn == nil || answer == nil { // what is of this machine alone
		return m, nil
	}
	if p, ok := inside(answer, "period").(*pb.Period); ok && p.GetFirstDay() != "" {
		m.Period = &tablefile.Period{FirstDay: p.GetFirstDay(), LastDay: p.GetLastDay()}
	}
	if s, ok := answer.(*pb.Study); ok {
		m.Seed = new(s.GetSpec().GetSeed())
		m.Period = &tablefile.Period{FirstDay: s.GetSpec().GetPeriod().GetFirstDay(), LastDay: s.GetSpec().GetPeriod().GetLastDay()}
	}
	if as, ok := inside(answer, "as_of").(*pb.AsOf); ok && as != nil {
		m.AsOf = &tablefile.AsOf{Pos: as.GetPos(), RegistryRev: as.GetRegistryRev()}
		if as.GetThrough() != nil {
			m.AsOf.Through = as.GetThrough().AsTime().UTC().Format(time.RFC3339Nano)
		}
		m.Rules = int(as.GetRulesVersion())
	}
	m.Notes = texts(answer, "cautions")
	return m, a.describe(a.command.Context(), a.conn, &m)
}

// describe adds the zones of the plants and the versions of the api that answered.
func (a *app) describe(ctx context.Context, conn *grpc.ClientConn, m *tablefile.Manifest) error {
	scope := &pb.Scope{}
	for flag, to := range map[string]*[]string{"plant": &scope.Plants, "press": &scope.Presses} {
		if list, err := a.command.Flags().GetStringSlice(flag); err == nil {
			*to = list
		}
	}
	if m.Period != nil {
		plants, err := plantsInScope(ctx, conn, scope)
		if err != nil {
			return err
		}
		m.Period.Zones = zoneNames(plants)
		slices.Sort(m.Period.Zones)
	}
	st, err := pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{Scope: scope})
	if err != nil {
		return err
	}
	m.Schema = int(st.GetSchemaVersion())
	for _, r := range st.GetRoles() {
		if r.GetRole() == "api" {
			m.Version = r.GetVersion()
		}
	}
	return nil
}

// inside is a message inside another, by name; nil where there is none.
func inside(m proto.Message, name protoreflect.Name) proto.Message {
	f := m.ProtoReflect().Descriptor().Fields().ByName(name)
	if f == nil || f.Message() == nil || f.IsList() || !m.ProtoReflect().Has(f) {
		return nil
	}
	return m.ProtoReflect().Get(f).Message().Interface()
}

// texts are a list of texts inside a message, by name.
func texts(m proto.Message, name protoreflect.Name) (out []string) {
	f := m.ProtoReflect().Descriptor().Fields().ByName(name)
	if f == nil || !f.IsList() || f.Kind() != protoreflect.StringKind {
		return nil
	}
	list := m.ProtoReflect().Get(f).List()
	for i := range list.Len() {
		out = append(out, list.Get(i).String())
	}
	return out
}
