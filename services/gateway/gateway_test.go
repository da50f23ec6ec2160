package gateway

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/proto/gen/openapi"
)

// heard is the api's side of one call: what arrived, and what it answers.
type heard struct {
	method string
	req    proto.Message
}

// studies answers the three files in two pieces; an id "broken" breaks off between them.
type studies struct {
	pb.UnimplementedStudyServiceServer
}

func (studies) GetDataSet(r *pb.GetDataSetRequest, s grpc.ServerStreamingServer[pb.GetDataSetResponse]) error {
	if r.Id == "missing" {
		return status.Error(codes.NotFound, "study \"missing\" is not known")
	}
	if err := s.Send(&pb.GetDataSetResponse{Chunk: []byte("a,b\n")}); err != nil {
		return err
	}
	if r.Id == "broken" {
		return status.Error(codes.Unavailable, "the warehouse went away")
	}
	return s.Send(&pb.GetDataSetResponse{Chunk: []byte("1,2\n")})
}

func (studies) WatchStudy(r *pb.WatchStudyRequest, s grpc.ServerStreamingServer[pb.WatchStudyResponse]) error {
	for i := range 3 {
		if err := s.Send(&pb.WatchStudyResponse{State: pb.StudyState_STUDY_STATE_RUNNING, Done: int64(i), Total: 2}); err != nil {
			return err
		}
	}
	return nil
}

// start runs a gRPC server that keeps what it hears and answers UNIMPLEMENTED, except for streams of studies, and the
// handler in front of it. The whole api behind the handler is tried in cmd/downweb.
func start(t *testing.T) (url string, calls func() []heard) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ch := make(chan heard, 1000)
	s := grpc.NewServer(
		grpc.UnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			ch <- heard{info.FullMethod, req.(proto.Message)}
			return next(ctx, req)
		}),
		grpc.StreamInterceptor(func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			ch <- heard{info.FullMethod, nil}
			return next(srv, ss)
		}))
	pb.RegisterLossServiceServer(s, &pb.UnimplementedLossServiceServer{})
	pb.RegisterCleaningServiceServer(s, &pb.UnimplementedCleaningServiceServer{})
	pb.RegisterDutyServiceServer(s, &pb.UnimplementedDutyServiceServer{})
	pb.RegisterEventServiceServer(s, &pb.UnimplementedEventServiceServer{})
	pb.RegisterRegistryServiceServer(s, &pb.UnimplementedRegistryServiceServer{})
	pb.RegisterStatusServiceServer(s, &pb.UnimplementedStatusServiceServer{})
	pb.RegisterStudyServiceServer(s, studies{})
	go func() { _ = s.Serve(ln) }()
	t.Cleanup(s.Stop)
	conn, err := grpc.NewClient(ln.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	h, err := Handler(t.Context(), conn, "press-hall.example")
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(h)
	t.Cleanup(web.Close)
	return web.URL, func() (all []heard) {
		for {
			select {
			case c := <-ch:
				all = append(all, c)
			default:
				return all
			}
		}
	}
}

// call makes a request and gives status, content type and body.
func call(t *testing.T, method, url, body string, headers ...string) (int, string, string) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
		} else {
			req.Header.Set(headers[i], headers[i+1])
		}
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, resp.Header.Get("Content-Type"), string(text)
}

// variable is a part of a path that stands for a field.
var variable = regexp.MustCompile(`\{[^}]*\}`)

type rule struct{ Selector, Get, Post, Body string }

func rules(t *testing.T) []rule {
	t.Helper()
	text, err := os.ReadFile("../../proto/gateway.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		HTTP struct{ Rules []rule } `yaml:"http"`
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	return doc.HTTP.Rules
}

// Every method of every service has a path, the path reaches that method, and the OpenAPI file has it.
func TestEveryMethodHasAPath(t *testing.T) {
	url, calls := start(t)
	paths := map[string]rule{}
	for _, r := range rules(t) {
		paths[r.Selector] = r
	}
	var schema struct {
		Swagger string
		Paths   map[string]map[string]any
	}
	if err := json.Unmarshal([]byte(openapi.JSON), &schema); err != nil || schema.Swagger != "2.0" {
		t.Fatal(schema.Swagger, err)
	}
	seen := 0
	for _, d := range []grpc.ServiceDesc{pb.LossService_ServiceDesc, pb.CleaningService_ServiceDesc, pb.DutyService_ServiceDesc, pb.EventService_ServiceDesc,
		pb.RegistryService_ServiceDesc, pb.StatusService_ServiceDesc, pb.StudyService_ServiceDesc} {
		for _, name := range methods(d) {
			r, ok := paths[name]
			if !ok {
				t.Errorf("%s has no path in proto/gateway.yaml", name)
				continue
			}
			seen++
			method, path, body := "GET", r.Get, ""
			if path == "" {
				method, path, body = "POST", r.Post, "{}"
			}
			if _, ok := schema.Paths[strings.ReplaceAll(path, "=*/*/*/*/*", "")][strings.ToLower(method)]; !ok {
				t.Errorf("%s %s is not in the OpenAPI file", method, path)
			}
			code, _, text := call(t, method, url+variable.ReplaceAllStringFunc(path, func(v string) string { return "x" + strings.Repeat("/x", strings.Count(v, "/")) }), body)
			got := calls()
			want := "/" + name[:strings.LastIndex(name, ".")] + "/" + name[strings.LastIndex(name, ".")+1:]
			if len(got) != 1 || got[0].method != want {
				t.Errorf("%s %s reached %v, want %s: %d %s", method, path, got, want, code, text)
			}
		}
	}
	if seen < 40 {
		t.Errorf("only %d methods", seen)
	}
}

// methods are the full names of a service's methods.
func methods(d grpc.ServiceDesc) (out []string) {
	for _, m := range d.Methods {
		out = append(out, d.ServiceName+"."+m.MethodName)
	}
	for _, m := range d.Streams {
		out = append(out, d.ServiceName+"."+m.StreamName)
	}
	return out
}

// What is typed right arrives as it was meant.
func TestArrives(t *testing.T) {
	url, calls := start(t)
	for _, c := range []struct{ method, path, body, want string }{
		{"GET", "/v1/losses?scope.presses=rhein/p1&scope.presses=rhein/p2&period.first_day=2026-06-01&period.last_day=2026-06-30&group_by=LOSS_GROUP_PRESS", "",
			`scope:{presses:"rhein/p1" presses:"rhein/p2"} period:{first_day:"2026-06-01" last_day:"2026-06-30"} group_by:LOSS_GROUP_PRESS`},
		{"GET", "/v1/losses/contamination_stop:explain?outside=true&period.first_day=2026-06-01", "", `leaf:"contamination_stop" period:{first_day:"2026-06-01"} outside:true`},
		{"GET", "/v1/events?from=2026-06-01T00:00:00Z&page_size=3", "", `from:{seconds:1780272000} page_size:3`},
		{"GET", "/v1/dead-letters/rhein/p1/0011223344556677/9/0123456789ab", "", `id:"rhein/p1/0011223344556677/9/0123456789ab"`},
		{"GET", "/v1/plants/rhein?rev=3", "", `plant:"rhein" rev:3`},
		{"POST", "/v1/events:void", `{"request_id":"12345678","id":"rhein/p1/0011223344556677/9","why":"typed twice"}`, `request_id:"12345678" id:"rhein/p1/0011223344556677/9" why:"typed twice"`},
		{"POST", "/v1/studies/abc:verify", `{}`, `id:"abc"`},
	} {
		code, kind, text := call(t, c.method, url+c.path, c.body)
		got := calls()
		if code != http.StatusNotImplemented || kind != "application/json" || len(got) != 1 {
			t.Errorf("%s: %d %s %s", c.path, code, kind, text)
			continue
		}
		want := proto.Clone(got[0].req)
		proto.Reset(want)
		if err := prototext.Unmarshal([]byte(c.want), want); err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(got[0].req, want) {
			t.Errorf("%s arrived as %v, want %v", c.path, got[0].req, want)
		}
	}
}

// What is typed wrong is refused before the api hears of it.
func TestRefused(t *testing.T) {
	url, calls := start(t)
	for _, c := range []struct {
		why, method, path, body string
		code                    int
		headers                 []string
	}{
		{"a mistyped key", "GET", "/v1/losses?perod.first_day=2026-06-01", "", 400, nil},
		{"a mistyped key below", "GET", "/v1/losses?period.first=2026-06-01", "", 400, nil},
		{"a message without its field", "GET", "/v1/losses?period=2026-06-01", "", 400, nil},
		{"a field of a text", "GET", "/v1/events?page_token.x=1", "", 400, nil},
		{"JSON's own name, which no example has", "GET", "/v1/events?pageSize=1", "", 400, nil},
		{"a field twice", "GET", "/v1/losses?group_by=LOSS_GROUP_PRESS&group_by=LOSS_GROUP_DAY", "", 400, nil},
		{"a field of the path again", "GET", "/v1/studies/x?id=y", "", 400, nil},
		{"a field of a file's path again", "GET", "/v1/studies/x/data?id=y", "", 400, nil},
		{"an unknown name of an enum", "GET", "/v1/losses?group_by=press", "", 400, nil},
		{"an enum of a file", "GET", "/v1/studies/x/data?format=xls", "", 400, nil},
		{"not a number", "GET", "/v1/events?page_size=abc", "", 400, nil},
		{"not an instant", "GET", "/v1/events?from=yesterday", "", 400, nil},
		{"a query that is none", "GET", "/v1/events?page_size=%zz", "", 400, nil},
		{"a body of a GET", "GET", "/v1/losses", "{}", 400, nil},
		{"a mistyped key of a body", "POST", "/v1/events:void", `{"request":"12345678"}`, 400, nil},
		{"a key twice", "POST", "/v1/events:void", `{"id":"a","id":"b"}`, 400, nil},
		{"two values", "POST", "/v1/events:void", `{"id":"a"} {"id":"b"}`, 400, nil},
		{"no JSON", "POST", "/v1/events:void", `id=a`, 400, nil},
		{"a query beside a body", "POST", "/v1/events:void?id=a", `{}`, 400, nil},
		{"too large a body", "POST", "/v1/events:void", `{"id":"` + strings.Repeat("x", maxBody) + `"}`, 400, nil},
		{"a form", "POST", "/v1/events:void", "id=a", 415, []string{"Content-Type", "application/x-www-form-urlencoded"}},
		{"a form that says it is a GET", "POST", "/v1/losses", "a=b", 415, []string{"Content-Type", "application/x-www-form-urlencoded", "X-HTTP-Method-Override", "GET"}},
		{"text, which a browser sends anywhere", "POST", "/v1/events:void", `{}`, 415, []string{"Content-Type", "text/plain"}},
		{"no such path", "GET", "/v1/loss", "", 404, nil},
		{"a method the path has not", "DELETE", "/v1/losses", "{}", 501, nil},
		{"a foreign name for this machine", "GET", "/v1/losses", "", 421, []string{"Host", "evil.example"}},
		{"a page of another site", "POST", "/v1/events:void", `{}`, 403, []string{"Origin", "http://evil.example"}},
		{"a page of another site, as its browser says", "POST", "/v1/events:void", `{}`, 403, []string{"Sec-Fetch-Site", "cross-site"}},
	} {
		code, kind, text := call(t, c.method, url+c.path, c.body, c.headers...)
		var said struct {
			Code    int
			Message string
		}
		if err := json.Unmarshal([]byte(text), &said); code != c.code || kind != "application/json" || err != nil || said.Message == "" {
			t.Errorf("%s: %s %s gave %d %s %.200s, want %d", c.why, c.method, c.path, code, kind, text, c.code)
		}
		if got := calls(); len(got) != 0 {
			t.Errorf("%s: the api heard %v", c.why, got)
		}
	}
	for _, host := range []string{"localhost:7711", "127.0.0.1:7711", "[::1]:7711", "10.0.0.9", "press-hall.example:80", "PRESS-hall.example."} {
		if code, _, text := call(t, "GET", url+"/v1/status", "", "Host", host); code != http.StatusNotImplemented {
			t.Errorf("Host %s: %d %s", host, code, text)
		}
	}
}

func TestFilesAndStreams(t *testing.T) {
	url, _ := start(t)
	if code, kind, text := call(t, "GET", url+"/v1/studies/x/data?format=DATA_SET_FORMAT_CSV", ""); code != 200 || !strings.HasPrefix(kind, "text/csv") || text != "a,b\n1,2\n" {
		t.Errorf("data set: %d %s %q", code, kind, text)
	}
	if code, _, text := call(t, "GET", url+"/v1/studies/missing/data", ""); code != 404 || !strings.Contains(text, "not known") {
		t.Errorf("missing data set: %d %s", code, text)
	}
	resp, err := http.Get(url + "/v1/studies/broken/data")
	if err == nil {
		_, err = io.ReadAll(resp.Body)
		resp.Body.Close()
	}
	if err == nil {
		t.Error("a data set that broke off looks whole")
	}
	code, kind, text := call(t, "GET", url+"/v1/studies/x:watch", "")
	lines := slices.Collect(strings.Lines(text))
	if code != 200 || kind != "application/x-ndjson" || len(lines) != 3 {
		t.Fatalf("watch: %d %s %q", code, kind, text)
	}
	var last struct {
		Result struct{ State, Done, Total string }
	}
	if err := json.Unmarshal([]byte(lines[2]), &last); err != nil || last.Result.Done != "2" || last.Result.State != "STUDY_STATE_RUNNING" {
		t.Errorf("last line %q: %v", lines[2], err)
	}
	if code, kind, text := call(t, "GET", url+SchemaPath, ""); code != 200 || kind != "application/json" || text != openapi.JSON {
		t.Errorf("OpenAPI: %d %s, %d bytes", code, kind, len(text))
	}
}
