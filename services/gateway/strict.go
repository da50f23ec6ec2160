package gateway

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// queryKey is where a request's query stands in its context.
type queryKey struct{}

// strictConn looks at the query of each call before it makes it: the library passes over keys that it does not know, and
// ?form= for from= would give a right-looking wrong number.
type strictConn struct{ grpc.ClientConnInterface }

func (c strictConn) Invoke(ctx context.Context, method string, req, resp any, opts ...grpc.CallOption) error {
	if err := checkQuery(ctx, method); err != nil {
		return err
	}
	return c.ClientConnInterface.Invoke(ctx, method, req, resp, opts...)
}

func (c strictConn) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if err := checkQuery(ctx, method); err != nil {
		return nil, err
	}
	return c.ClientConnInterface.NewStream(ctx, d, method, opts...)
}

// checkQuery is INVALID_ARGUMENT where a key of the query names no field of the method's request ("/package.Service/Method"),
// or one that the path has set.
func checkQuery(ctx context.Context, method string) error {
	query, _ := ctx.Value(queryKey{}).(url.Values)
	if len(query) == 0 {
		return nil
	}
	service, name, _ := strings.Cut(strings.TrimPrefix(method, "/"), "/")
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + name))
	m, ok := d.(protoreflect.MethodDescriptor)
	if err != nil || !ok {
		return status.Errorf(codes.Internal, "%s is not described", method)
	}
	pattern, _ := runtime.HTTPPathPattern(ctx)
	for key := range query {
		err := known(m.Input(), strings.Split(key, "."))
		if strings.Contains(pattern, "{"+key+"}") || strings.Contains(pattern, "{"+key+"=") {
			err = errors.New("stands in the path already")
		}
		if err != nil {
			return status.Errorf(codes.InvalidArgument, "query parameter %q: %v", key, err)
		}
	}
	return nil
}

// known says why a path names no field that a query can set.
func known(of protoreflect.MessageDescriptor, path []string) error {
	for i, name := range path {
		f := of.Fields().ByName(protoreflect.Name(name))
		switch {
		case f == nil:
			return fmt.Errorf("%s has no field %q", of.Name(), name)
		case i == len(path)-1:
			if f.Message() != nil && f.Message().FullName() != "google.protobuf.Timestamp" {
				return fmt.Errorf("name one of its fields, e.g. %s.%s", strings.Join(path, "."), f.Message().Fields().Get(0).Name())
			}
			return nil
		case f.Message() == nil || f.IsList() || f.IsMap():
			return fmt.Errorf("%s.%s has no fields that a query can set", of.Name(), name)
		}
		of = f.Message()
	}
	return nil
}

// strictJSON refuses keys it does not know and anything behind the first value; field names are those of the protos.
type strictJSON struct{ *runtime.JSONPb }

func newStrictJSON() strictJSON {
	return strictJSON{&runtime.JSONPb{MarshalOptions: protojson.MarshalOptions{UseProtoNames: true}}}
}

// NewDecoder reads the whole body as one message. The library's would stop behind the first value.
func (s strictJSON) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		text, err := io.ReadAll(r)
		if err != nil {
			return err
		}
		if len(bytes.TrimSpace(text)) == 0 {
			text = []byte("{}") // a request whose fields all stand in the path
		}
		m, ok := v.(proto.Message)
		if !ok {
			return fmt.Errorf("a body of %T is not read", v)
		}
		return s.UnmarshalOptions.Unmarshal(text, m)
	})
}

// StreamContentType of an answer that goes on: one JSON object a line.
func (strictJSON) StreamContentType(any) string { return "application/x-ndjson" }

// plain refuses what the library would pass over: a query beside a body, a body of another kind, a body where none is
// read, a body that is too large.
func plain(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.Method {
		case http.MethodGet:
			if r.ContentLength != 0 {
				refuse(w, http.StatusBadRequest, "a GET takes no body: give the fields as query parameters")
				return
			}
			query, err := url.ParseQuery(r.URL.RawQuery)
			if err != nil {
				refuse(w, http.StatusBadRequest, "the query cannot be read: "+err.Error())
				return
			}
			r = r.WithContext(context.WithValue(r.Context(), queryKey{}, query))
		default:
			if r.URL.RawQuery != "" {
				refuse(w, http.StatusBadRequest, "a "+r.Method+" takes its fields from the body, not from the query")
				return
			}
			if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); !strings.EqualFold(strings.TrimSpace(kind), "application/json") {
				refuse(w, http.StatusUnsupportedMediaType, "Content-Type: want application/json")
				return
			}
			r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		}
		next.ServeHTTP(w, r)
	})
}
