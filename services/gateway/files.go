package gateway

import (
	"errors"
	"io"
	"net/http"
	"net/url"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// registerFiles answers the three methods whose answer is a file with the file itself. What is registered later wins
// over the generated form, which would be base64 inside JSON.
func registerFiles(mux *runtime.ServeMux, studies pb.StudyServiceClient) error {
	file := func(path string, ask func(r *http.Request, id string, query url.Values, w http.ResponseWriter) error) error {
		return mux.HandlePath("GET", path, func(w http.ResponseWriter, r *http.Request, params map[string]string) {
			if err := ask(r, params["id"], r.URL.Query(), w); err != nil {
				_, out := runtime.MarshalerForRequest(mux, r)
				runtime.HTTPError(r.Context(), mux, out, w, r, err)
			}
		})
	}
	return errors.Join(
		file("/v1/studies/{id}/data", func(r *http.Request, id string, query url.Values, w http.ResponseWriter) error {
			req := &pb.GetDataSetRequest{Id: id}
			if err := fill(req, query); err != nil {
				return err
			}
			stream, err := studies.GetDataSet(r.Context(), req)
			if err != nil {
				return err
			}
			return sendPieces(w, dataSetTypes[req.Format], stream)
		}),
		file("/v1/studies/{id}/plot", func(r *http.Request, id string, query url.Values, w http.ResponseWriter) error {
			req := &pb.GetStudyPlotRequest{Id: id}
			if err := fill(req, query); err != nil {
				return err
			}
			plot, err := studies.GetStudyPlot(r.Context(), req)
			if err != nil {
				return err
			}
			return send(w, plot.GetMediaType(), plot.GetData())
		}),
		file("/v1/studies/{id}/report", func(r *http.Request, id string, query url.Values, w http.ResponseWriter) error {
			req := &pb.GetStudyReportRequest{Id: id}
			if err := fill(req, query); err != nil {
				return err
			}
			page, err := studies.GetStudyReport(r.Context(), req)
			if err != nil {
				return err
			}
			return send(w, "text/html; charset=utf-8", page.GetHtml())
		}),
	)
}

// fill sets a request's fields from the query, except for the one of the path. The keys were looked at by strictConn.
func fill(req proto.Message, query url.Values) error {
	if query.Has("id") {
		return status.Error(codes.InvalidArgument, `query parameter "id": stands in the path already`)
	}
	if err := (&runtime.DefaultQueryParser{}).Parse(req, query, utilities.NewDoubleArray(nil)); err != nil {
		return status.Error(codes.InvalidArgument, err.Error())
	}
	return nil
}

var dataSetTypes = map[pb.DataSetFormat]string{
	pb.DataSetFormat_DATA_SET_FORMAT_CSV:          "text/csv; charset=utf-8",
	pb.DataSetFormat_DATA_SET_FORMAT_PARQUET:      "application/vnd.apache.parquet",
	pb.DataSetFormat_DATA_SET_FORMAT_ARROW_STREAM: "application/vnd.apache.arrow.stream",
	pb.DataSetFormat_DATA_SET_FORMAT_MANIFEST:     "application/json",
}

// sendPieces sends a file as it comes. Once the first piece is out, an error can only be said by breaking off, so that
// the reader sees a transfer that did not end instead of a short file.
func sendPieces(w http.ResponseWriter, kind string, stream grpc.ServerStreamingClient[pb.GetDataSetResponse]) error {
	if kind == "" {
		kind = "application/octet-stream"
	}
	sent := false
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			if !sent {
				return send(w, kind, nil)
			}
			return nil
		}
		if err != nil {
			if sent {
				panic(http.ErrAbortHandler)
			}
			return err
		}
		if !sent {
			w.Header().Set("Content-Type", kind)
			sent = true
		}
		if _, err := w.Write(piece.GetChunk()); err != nil {
			panic(http.ErrAbortHandler)
		}
	}
}

// send sends a whole file. A page or an SVG that is opened as a document may fetch nothing and run nothing.
func send(w http.ResponseWriter, kind string, file []byte) error {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'")
	_, err := w.Write(file)
	if err != nil {
		panic(http.ErrAbortHandler)
	}
	return nil
}
