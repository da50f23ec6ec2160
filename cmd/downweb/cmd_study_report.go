package main

import (
	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) studyReport() *cobra.Command {
	file := ""
	c := &cobra.Command{Use: "report ID", Short: "write a study as one HTML page, with figures, that prints on A4", Args: exactly(1),
		Example: "  downweb study report ID -o study.html    # ID as \"downweb study list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStudyServiceClient(conn).GetStudyReport(c.Context(), &pb.GetStudyReportRequest{Id: args[0]})
			if err != nil {
				return err
			}
			return a.writeFile(file, r.GetHtml())
		})
	}
	c.Flags().StringVarP(&file, "output", "o", "", "file to write (default: stdout)")
	return c
}
