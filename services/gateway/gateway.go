// Package gateway answers JSON over HTTP for the same services as gRPC: it translates each call to one over a
// connection it is given, so that every call goes through the server's own checks.
//
// It promises: a mistyped query parameter, a body key nobody knows, a second value for a field, a query beside a body
// are 400, never ignored; paths and methods are those of proto/gateway.yaml, described by proto/gen/openapi; a page of
// another site can neither read nor change anything through a browser that reaches this address (Host, Origin and
// content type are looked at). Who may reach the address is for the network to decide: there is no password.
package gateway

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	gw "github.com/downweb/downweb/proto/gen/gateway/downweb/v1"
	"github.com/downweb/downweb/proto/gen/openapi"
)

// Prefix is where the paths begin.
const Prefix = "/v1/"

// SchemaPath is where the OpenAPI file is.
const SchemaPath = "/v1/openapi.json"

// maxBody bounds a request's body, bytes: a registry document or a thousand events fit many times over.
const maxBody = 16 << 20

// Handler answers under Prefix over a connection to the api. Hosts are names, beside localhost and bare addresses, that
// this machine may be called by. Watches end with their requests.
func Handler(ctx context.Context, conn grpc.ClientConnInterface, hosts ...string) (http.Handler, error) {
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, newStrictJSON()),
		// Nothing of HTTP's own headers becomes metadata, but a deadline (Grpc-Timeout) holds.
		runtime.WithIncomingHeaderMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }),
	)
	to := strictConn{conn}
	err := errors.Join(
		gw.RegisterLossServiceHandlerClient(ctx, mux, pb.NewLossServiceClient(to)),
		gw.RegisterCleaningServiceHandlerClient(ctx, mux, pb.NewCleaningServiceClient(to)),
		gw.RegisterDutyServiceHandlerClient(ctx, mux, pb.NewDutyServiceClient(to)),
		gw.RegisterEventServiceHandlerClient(ctx, mux, pb.NewEventServiceClient(to)),
		gw.RegisterRegistryServiceHandlerClient(ctx, mux, pb.NewRegistryServiceClient(to)),
		gw.RegisterStatusServiceHandlerClient(ctx, mux, pb.NewStatusServiceClient(to)),
		gw.RegisterStudyServiceHandlerClient(ctx, mux, pb.NewStudyServiceClient(to)),
		registerFiles(mux, pb.NewStudyServiceClient(to)),
	)
	if err != nil {
		return nil, fmt.Errorf("register JSON over HTTP: %w", err)
	}
	err = mux.HandlePath("GET", SchemaPath, func(w http.ResponseWriter, _ *http.Request, _ map[string]string) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = io.WriteString(w, openapi.JSON)
	})
	if err != nil {
		return nil, fmt.Errorf("register the OpenAPI file: %w", err)
	}
	return guard(plain(mux), hosts), nil
}
