package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) studyCommand() *cobra.Command {
	return group("study", "whether a missed clean goes with waste later: ask, and ask again",
		a.studyAsk(), a.studyList(), a.studyShow(), a.studyCompare(), a.studyRerun(), a.studyVerify(), a.studyExport(),
		a.studyPlot(), a.studyReport(), a.studyPlan(), a.studyMethod(), a.studyMethods())
}

func (a *app) studyAsk() *cobra.Command {
	detach, file := false, ""
	c := &cobra.Command{Use: "ask SPEC.yaml", Short: "run the study that a spec file fixes", Args: exactly(1),
		Long: "Run the study that a spec file fixes: on the line's own records, where it is kept, or with --csv on a file, here and\n" +
			"without any server. The file is what \"downweb study export\" wrote, or a table of one's own whose columns the spec\n" +
			"names: one line for each press and production day with a run.",
		Example: "  downweb study ask spec.yaml\n\n  # spec.yaml: every field may be left out\n  title: missed cleans in spring\n  scope: {plants: [rhein]}\n  period: {first_day: 2026-01-01, last_day: 2026-06-28}\n  stations: [treater, web-cleaner]\n  seed: 1\n\n" +
			"  downweb study ask own.yaml --csv runs.csv\n\n  # own.yaml\n  columns:\n    press: machine\n    day: date\n    run: {name: metres, unit: m}\n" +
			"    waste: {name: lost, unit: m}\n    stations: [{station: treater, state: treater_missed}]"}
	c.RunE = func(c *cobra.Command, args []string) error {
		text, err := a.readFile(args[0])
		if err != nil {
			return err
		}
		spec, err := parseSpec(args[0], text)
		if err != nil {
			return err
		}
		if file != "" {
			return a.askTable(c.Context(), args[0], spec, file)
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			client := pb.NewStudyServiceClient(conn)
			r, err := client.CreateStudy(c.Context(), &pb.CreateStudyRequest{Spec: spec})
			if err != nil {
				return err
			}
			id := r.GetStudy().GetId()
			if detach {
				return a.showStudy(r.GetStudy())
			}
			fmt.Fprintf(a.err, "study %s\n", id)
			study, err := a.awaitStudy(c.Context(), client, id)
			if err != nil {
				return err
			}
			return a.showStudy(study)
		})
	}
	c.Flags().BoolVar(&detach, "detach", false, "do not wait for the result")
	c.Flags().StringVar(&file, "csv", "", "study this table here; nothing is kept")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// parseSpec reads a study's spec; field names are those of StudySpec, unknown ones are refused.
func parseSpec(name string, text []byte) (*pb.StudySpec, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, usagef("%s: %s", name, oneLine(err.Error()))
	}
	spec := &pb.StudySpec{}
	if len(doc.Content) == 0 {
		return spec, nil
	}
	v, err := plainValue(doc.Content[0])
	if err != nil {
		return nil, usagef("%s: %w", name, err)
	}
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, usagef("%s: %w", name, err)
	}
	if err := protojson.Unmarshal(raw, spec); err != nil {
		return nil, usagef("%s: %s", name, protoReason(err))
	}
	return spec, nil
}

// plainValue is a YAML node as JSON can say it; dates stay the text that was written.
func plainValue(n *yaml.Node) (any, error) {
	switch n.Kind {
	case yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			v, err := plainValue(n.Content[i+1])
			if err != nil {
				return nil, err
			}
			if _, twice := m[n.Content[i].Value]; twice {
				return nil, fmt.Errorf("line %d: %q stands twice", n.Content[i].Line, n.Content[i].Value)
			}
			m[n.Content[i].Value] = v
		}
		return m, nil
	case yaml.SequenceNode:
		list := []any{}
		for _, c := range n.Content {
			v, err := plainValue(c)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, nil
	case yaml.ScalarNode:
		switch n.Tag {
		case "!!int", "!!float", "!!bool", "!!null":
			var v any
			if err := n.Decode(&v); err != nil {
				return nil, fmt.Errorf("line %d: %s", n.Line, oneLine(err.Error()))
			}
			return v, nil
		}
		return n.Value, nil
	}
	return nil, fmt.Errorf("line %d: aliases are not read", n.Line)
}

// protoReason is a protojson error without its package's name, whose blank varies.
func protoReason(err error) string {
	text := err.Error()
	for _, prefix := range []string{"proto:\u00a0", "proto: "} {
		if rest, ok := bytes.CutPrefix([]byte(text), []byte(prefix)); ok {
			text = string(rest)
		}
	}
	return oneLine(text)
}

// awaitStudy shows progress until the study ends. A watch that breaks is taken up again.
func (a *app) awaitStudy(ctx context.Context, client pb.StudyServiceClient, id string) (*pb.Study, error) {
	bar := a.progress("study")
	defer bar.done()
	for {
		r, err := client.GetStudy(ctx, &pb.GetStudyRequest{Id: id})
		if err != nil {
			return nil, err
		}
		switch r.GetStudy().GetState() {
		case pb.StudyState_STUDY_STATE_DONE:
			return r.GetStudy(), nil
		case pb.StudyState_STUDY_STATE_FAILED:
			return nil, fmt.Errorf("study %s failed: %s", id, r.GetStudy().GetError())
		}
		watch, err := client.WatchStudy(ctx, &pb.WatchStudyRequest{Id: id})
		for err == nil {
			var step *pb.WatchStudyResponse
			if step, err = watch.Recv(); err == nil {
				bar.step(step.GetDone(), step.GetTotal())
			}
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
}

func (a *app) showStudy(s *pb.Study) error {
	switch a.format {
	case "json":
		return writeJSONMessage(a.out, s)
	case "csv", "parquet", "arrow":
		header, rows := studyCSV(s)
		return a.writeTable(header, rows, s)
	}
	printStudy(a.out, s)
	return nil
}

func (a *app) studyList() *cobra.Command {
	limit := 0
	c := &cobra.Command{Use: "list", Short: "the studies that were asked, newest first", Args: exactly(0), Example: "  downweb study list"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			all := &pb.ListStudiesResponse{}
			_, err := pages(c.Context(), limit, func(ctx context.Context, size int32, token string) (int, string, error) {
				r, err := pb.NewStudyServiceClient(conn).ListStudies(ctx, &pb.ListStudiesRequest{PageSize: size, PageToken: token})
				all.Studies = append(all.Studies, r.GetStudies()...)
				return len(r.GetStudies()), r.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, all)
			case "csv", "parquet", "arrow":
				header, rows := studiesCSV(all)
				return a.writeTable(header, rows, all)
			}
			printStudies(a.out, all)
			return nil
		})
	}
	c.Flags().IntVar(&limit, "limit", 100, "studies at most; 0: all")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func (a *app) studyShow() *cobra.Command {
	c := &cobra.Command{Use: "show ID", Short: "the result of a study", Args: exactly(1), Example: "  downweb study show ID    # ID as \"downweb study list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).GetStudy(c.Context(), &pb.GetStudyRequest{Id: args[0]})
			if err != nil {
				return err
			}
			return a.showStudy(r.GetStudy())
		})
	}
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func (a *app) studyRerun() *cobra.Command {
	c := &cobra.Command{Use: "rerun ID", Short: "compute a study again from its kept data set and compare every bit", Args: exactly(1), Example: "  downweb study rerun ID    # ID as \"downweb study list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).RerunStudy(c.Context(), &pb.RerunStudyRequest{Id: args[0]})
			if err != nil {
				return err
			}
			if a.format == "json" {
				err = writeJSONMessage(a.out, r)
			} else if r.GetSame() {
				fmt.Fprintf(a.out, "same to the bit: result %s\n", r.GetResultSha256())
			} else {
				fmt.Fprintf(a.out, "DIFFERENT: kept %s, now %s\n", r.GetKeptSha256(), r.GetResultSha256())
			}
			if err == nil && !r.GetSame() {
				err = quietError
			}
			return err
		})
	}
	a.outputFlag(c, "table", "json")
	return c
}

func (a *app) studyVerify() *cobra.Command {
	c := &cobra.Command{Use: "verify ID", Short: "fold the log again as of the study's pins and compare its data set", Args: exactly(1), Example: "  downweb study verify ID    # ID as \"downweb study list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).VerifyStudy(c.Context(), &pb.VerifyStudyRequest{Id: args[0]})
			if err != nil {
				return err
			}
			if a.format == "json" {
				err = writeJSONMessage(a.out, r)
			} else if r.GetSame() {
				fmt.Fprintf(a.out, "the log gives the same data set: %s\n", r.GetDataSha256())
			} else {
				fmt.Fprintf(a.out, "DIFFERENT: kept %s, the log gives %s. %s\n", r.GetKeptSha256(), r.GetDataSha256(), r.GetNote())
			}
			if err == nil && !r.GetSame() {
				err = quietError
			}
			return err
		})
	}
	a.outputFlag(c, "table", "json")
	return c
}

var dataSetFormats = map[string]pb.DataSetFormat{"csv": pb.DataSetFormat_DATA_SET_FORMAT_CSV, "bytes": pb.DataSetFormat_DATA_SET_FORMAT_UNSPECIFIED,
	"parquet": pb.DataSetFormat_DATA_SET_FORMAT_PARQUET, "arrow": pb.DataSetFormat_DATA_SET_FORMAT_ARROW_STREAM, "manifest": pb.DataSetFormat_DATA_SET_FORMAT_MANIFEST}

func (a *app) studyExport() *cobra.Command {
	file := ""
	c := &cobra.Command{Use: "export ID", Short: "write a study's data set, and beside it what its columns are and what it was made of", Args: exactly(1),
		Long: "Write a study's data set as CSV, Parquet or an Arrow stream, or the canonical bytes that its hash is of. With --out a\n" +
			"manifest is written beside it (FILE.manifest.json): columns with units and meaning, pins, SHA-256 of every form.",
		Example: "  downweb study export ID > rows.csv\n  downweb study export ID -o parquet --out rows.parquet\n  downweb study export ID -o manifest"}
	c.RunE = func(c *cobra.Command, args []string) error {
		if f, ok := a.out.(*os.File); ok && file == "" && a.format != "csv" && a.format != "manifest" && term.IsTerminal(int(f.Fd())) {
			return usagef("-o %s is not for a terminal: give --out or redirect", a.format)
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			client := pb.NewStudyServiceClient(conn)
			if file == "" {
				return dataSetTo(c.Context(), client, args[0], dataSetFormats[a.format], a.out)
			}
			for name, format := range map[string]pb.DataSetFormat{file: dataSetFormats[a.format], file + ".manifest.json": pb.DataSetFormat_DATA_SET_FORMAT_MANIFEST} {
				f, err := os.Create(name)
				if err != nil {
					return err
				}
				if err := errors.Join(dataSetTo(c.Context(), client, args[0], format, f), f.Close()); err != nil {
					return err
				}
			}
			return nil
		})
	}
	c.Flags().StringVar(&file, "out", "", "write here instead of to stdout, and a manifest beside it")
	a.formatFlag(c, "csv", "bytes", "parquet", "arrow", "manifest") // the default is CSV, and --out is its own
	return c
}

// dataSetTo streams a study's data set to a writer.
func dataSetTo(ctx context.Context, client pb.StudyServiceClient, id string, format pb.DataSetFormat, w io.Writer) error {
	stream, err := client.GetDataSet(ctx, &pb.GetDataSetRequest{Id: id, Format: format})
	if err != nil {
		return err
	}
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if _, err := w.Write(piece.GetChunk()); err != nil {
			return err
		}
	}
}

// readFile reads a file, or stdin for "-".
func (a *app) readFile(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(a.in)
	}
	return os.ReadFile(name)
}
