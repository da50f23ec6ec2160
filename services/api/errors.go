package api

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strconv"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"

	"github.com/downweb/downweb/services/registry"
)

// domain of every ErrorInfo.
const domain = "downweb"

// Errors a Reader or Writer may return; everything else is Internal.
var (
	// ErrNotFound: a study, event or data set that is not kept.
	ErrNotFound = errors.New("not found")
	// ErrUnavailable: a hop of the line is down; try again.
	ErrUnavailable = errors.New("unavailable")
)

// invalid is INVALID_ARGUMENT that names a field.
func invalid(field, reason string) error {
	return withDetails(codes.InvalidArgument, field+": "+reason, &errdetails.BadRequest{
		FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: reason}}})
}

// notFound is NOT_FOUND that names a resource.
func notFound(kind, name string) error {
	return withDetails(codes.NotFound, kind+" "+strconv.Quote(name)+" is not known", &errdetails.ResourceInfo{ResourceType: kind, ResourceName: name})
}

func withDetails(code codes.Code, msg string, details ...protoadapt.MessageV1) error {
	details = append(details, &errdetails.ErrorInfo{Reason: strings.ToUpper(code.String()), Domain: domain})
	st, err := status.New(code, msg).WithDetails(details...)
	if err != nil {
		return status.Error(code, msg)
	}
	return st.Err()
}

// toStatus maps an error to what a client may see.
func toStatus(log *slog.Logger, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	var stale *registry.StaleError
	var bad *registry.InvalidError
	var netErr net.Error
	switch {
	case errors.As(err, &stale):
		return withDetails(codes.Aborted, err.Error(), &errdetails.ErrorInfo{Reason: "STALE_REVISION", Domain: domain,
			Metadata: map[string]string{"current_rev": strconv.FormatUint(stale.Current, 10)}})
	case errors.As(err, &bad):
		br := &errdetails.BadRequest{}
		for _, p := range bad.Problems {
			br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: p.Field, Description: p.Reason})
		}
		return withDetails(codes.InvalidArgument, bad.Error(), br)
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "canceled")
	case errors.Is(err, context.DeadlineExceeded):
		return withDetails(codes.DeadlineExceeded, "not finished in time: whether it was done is not known; try again with the same request_id")
	case errors.Is(err, ErrNotFound):
		return withDetails(codes.NotFound, "not found")
	case errors.Is(err, ErrUnavailable), errors.As(err, &netErr):
		log.Warn("a hop is down", "error", err)
		return withDetails(codes.Unavailable, "a part of the line is down, try again")
	}
	log.Error("a call failed", "error", err)
	return withDetails(codes.Internal, "internal error")
}

func unaryErrors(log *slog.Logger) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
		resp, err := h(ctx, req)
		return resp, toStatus(log, err)
	}
}

func streamErrors(log *slog.Logger) grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, h grpc.StreamHandler) error {
		return toStatus(log, h(srv, ss))
	}
}

// validate checks a request against the rules of the contract. Events and
// registry documents inside requests have their own, fuller checks.
func validate(v protovalidate.Validator, m any) error {
	msg, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	err := v.Validate(msg)
	var ve *protovalidate.ValidationError
	if !errors.As(err, &ve) {
		return err
	}
	br := &errdetails.BadRequest{}
	var first string
	for _, x := range ve.Violations {
		field := protovalidate.FieldPathString(x.Proto.GetField())
		br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: field, Description: x.Proto.GetMessage()})
		if first == "" {
			first = field + ": " + x.Proto.GetMessage()
		}
	}
	return withDetails(codes.InvalidArgument, first, br)
}

func unaryValidate(v protovalidate.Validator) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
		if err := validate(v, req); err != nil {
			return nil, err
		}
		return h(ctx, req)
	}
}

func streamValidate(v protovalidate.Validator) grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, h grpc.StreamHandler) error {
		return h(srv, &validStream{ss, v})
	}
}

type validStream struct {
	grpc.ServerStream
	v protovalidate.Validator
}

func (s *validStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return validate(s.v, m)
}
