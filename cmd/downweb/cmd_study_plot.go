package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var studyPlots = map[string]pb.StudyPlot{
	"forest": pb.StudyPlot_STUDY_PLOT_FOREST, "lags": pb.StudyPlot_STUDY_PLOT_LAG_MAP, "dose": pb.StudyPlot_STUDY_PLOT_DOSE,
	"event": pb.StudyPlot_STUDY_PLOT_EVENT, "shifts": pb.StudyPlot_STUDY_PLOT_SHIFTS, "cost": pb.StudyPlot_STUDY_PLOT_COST,
}

// costFlags are what a question about money states.
type costFlags struct{ clean, meter, currency string }

func (f *costFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.clean, "clean-cost", "", "cost of one more clean of the station alone: hands-on minutes, restart waste, materials; AMOUNT or LOW..HIGH")
	c.Flags().StringVar(&f.meter, "meter-cost", "", "cost of a meter of waste; AMOUNT or LOW..HIGH (default: the plant's own price of web)")
	c.Flags().StringVar(&f.currency, "currency", "", "ISO 4217 code of both, e.g. EUR")
}

// costs reads the flags; nil where none is given.
func (f *costFlags) costs() (*pb.IntervalCosts, error) {
	if f.clean == "" && f.meter == "" && f.currency == "" {
		return nil, nil
	}
	if len(f.currency) != 3 {
		return nil, usagef("--currency %q: want an ISO 4217 code, e.g. EUR", f.currency)
	}
	return &pb.IntervalCosts{Currency: strings.ToUpper(f.currency), Clean: amountRange(f.clean), Meter: amountRange(f.meter)}, nil
}

// amountRange reads AMOUNT or LOW..HIGH; the api checks the amounts.
func amountRange(text string) *pb.CostRange {
	if text == "" {
		return nil
	}
	low, high, _ := strings.Cut(text, "..")
	return &pb.CostRange{Low: low, High: high}
}

func (a *app) studyPlot() *cobra.Command {
	var plot, station, file string
	var costs costFlags
	c := &cobra.Command{Use: "plot ID", Short: "draw a figure of a study as SVG or PNG", Args: exactly(1),
		Long: "Draw a figure of a study. forest: differences of all stations; lags: map of stations by lag. Of one station: dose\n" +
			"(waste by km since clean), event (waste before and after a missed clean), shifts (what shifting gave), cost (cost\n" +
			"by cleaning interval).",
		Example: "  downweb study plot ID --plot forest -o forest.svg\n  downweb study plot ID --plot event --station web-cleaner -o event.png\n" +
			"  downweb study plot ID --plot cost --station web-cleaner --clean-cost 12..20 --currency EUR -o cost.svg"}
	c.RunE = func(c *cobra.Command, args []string) error {
		kind, err := choose("plot", plot, studyPlots)
		if err != nil {
			return err
		}
		req := &pb.GetStudyPlotRequest{Id: args[0], Plot: kind, Station: station}
		switch ext := strings.ToLower(filepath.Ext(file)); ext {
		case ".svg", "":
			req.Format = pb.PlotFormat_PLOT_FORMAT_SVG
		case ".png":
			req.Format = pb.PlotFormat_PLOT_FORMAT_PNG
		default:
			return usagef("-o %s: want a name that ends in .svg or .png", file)
		}
		if req.Costs, err = costs.costs(); err != nil {
			return err
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).GetStudyPlot(c.Context(), req)
			if err != nil {
				return err
			}
			if err := a.writeFile(file, r.GetData()); err != nil {
				return err
			}
			wrapped(a.err, "", "", r.GetDescription())
			return nil
		})
	}
	c.Flags().StringVar(&plot, "plot", "forest", strings.Join(keys(studyPlots), ", "))
	c.Flags().StringVar(&station, "station", "", "the station, where the figure is of one")
	c.Flags().StringVarP(&file, "output", "o", "", "file to write, .svg or .png (default: SVG to stdout)")
	costs.add(c)
	return c
}

// writeFile writes to a file, or to stdout where no name is given.
func (a *app) writeFile(name string, data []byte) error {
	if name != "" {
		return os.WriteFile(name, data, 0o644)
	}
	if f, ok := a.out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return usagef("this is not for a terminal: give -o FILE or redirect")
	}
	if _, err := a.out.Write(data); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}
