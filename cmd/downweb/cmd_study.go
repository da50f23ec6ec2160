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
		a.studyAsk(), a.studyList(), a.studyShow(), a.studyRerun(), a.studyVerify(), a.studyExport())
}

func (a *app) studyAsk() *cobra.Command {
	detach := false
	c := &cobra.Command{Use: "ask SPEC.yaml", Short: "run the study that a spec file fixes", Args: exactly(1),
		Example: "  downweb study ask spec.yaml\n\n  # spec.yaml: every field may be left out\n  title: missed cleans in spring\n  scope: {plants: [rhein]}\n  period: {first_day: 2026-01-01, last_day: 2026-06-28}\n  stations: [treater, web-cleaner]\n  seed: 1"}
	c.RunE = func(c *cobra.Command, args []string) error {
		text, err := a.readFile(args[0])
		if err != nil {
			return err
		}
		spec, err := parseSpec(args[0], text)
		if err != nil {
			return err
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
	case "csv":
		header, rows := studyCSV(s)
		return writeCSV(a.out, header, rows)
	}
	printStudy(a.out, s)
	return nil
}

func (a *app) studyList() *cobra.Command {
	limit := 0
	c := &cobra.Command{Use: "list", Short: "the studies that were asked, newest first", Args: exactly(0)}
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
			case "csv":
				header, rows := studiesCSV(all)
				return writeCSV(a.out, header, rows)
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
	c := &cobra.Command{Use: "show ID", Short: "the result of a study", Args: exactly(1)}
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
	c := &cobra.Command{Use: "rerun ID", Short: "compute a study again from its kept data set and compare every bit", Args: exactly(1)}
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
	c := &cobra.Command{Use: "verify ID", Short: "fold the log again as of the study's pins and compare its data set", Args: exactly(1)}
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

func (a *app) studyExport() *cobra.Command {
	file := ""
	c := &cobra.Command{Use: "export ID", Short: "write a study's data set: CSV, or the canonical bytes that its hash is of", Args: exactly(1),
		Example: "  downweb study export ID > rows.csv\n  downweb study export ID -o bytes --file rows.bin"}
	c.RunE = func(c *cobra.Command, args []string) error {
		format := pb.DataSetFormat_DATA_SET_FORMAT_CSV
		if a.format == "bytes" {
			format = pb.DataSetFormat_DATA_SET_FORMAT_UNSPECIFIED
			if f, ok := a.out.(*os.File); ok && file == "" && term.IsTerminal(int(f.Fd())) {
				return usagef("-o bytes is not for a terminal: give --file or redirect")
			}
		}
		return a.ask(func(conn *grpc.ClientConn) (err error) {
			stream, err := pb.NewStudyServiceClient(conn).GetDataSet(c.Context(), &pb.GetDataSetRequest{Id: args[0], Format: format})
			if err != nil {
				return err
			}
			out := a.out
			if file != "" {
				f, err := os.Create(file)
				if err != nil {
					return err
				}
				defer func() { f.Close() }()
				out = f
			}
			for {
				piece, err := stream.Recv()
				if errors.Is(err, io.EOF) {
					return nil
				}
				if err != nil {
					return err
				}
				if _, err := out.Write(piece.GetChunk()); err != nil {
					return err
				}
			}
		})
	}
	c.Flags().StringVar(&file, "file", "", "write here instead of to stdout")
	a.outputFlag(c, "csv", "bytes")
	return c
}

// readFile reads a file, or stdin for "-".
func (a *app) readFile(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(a.in)
	}
	return os.ReadFile(name)
}
