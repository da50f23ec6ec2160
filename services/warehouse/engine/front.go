//go:build linux || darwin

package engine

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/proto"

	"github.com/downweb/downweb/services/warehouse/engine/chdb"
)

// request is one statement with all that holds for it alone.
type request struct {
	id, sql, format, database string
	reader                    bool // nothing may be changed: user reader, or a GET
	hello                     bool // clickhouse-go's first question
	insert                    bool // sql is an INSERT without its FORMAT clause, data is what it inserts
	data                      []byte
	params, settings          map[string]string
}

// helloQuery is what clickhouse-go asks first; it decodes the answer at its own protocol revision.
const helloQuery = "SELECT displayName(), version(), revision(), timezone()"

var (
	insertTail  = regexp.MustCompile(`(?is)^(\s*INSERT\s.*?)\s+(?:FORMAT\s+(\w+)|VALUES)\s*;?\s*$`)
	formatName  = regexp.MustCompile(`(?i)\b(?:FORMAT\s+(\w+)|TOTALS\b)`)
	selectStart = regexp.MustCompile(`(?is)^(?:\s|\(|--[^\n]*\n|/\*.*?\*/)*(?:SELECT|WITH)\b`)
	settingName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	hidden      = regexp.MustCompile(`(?i)\b(?:file|eval)\b`)
	// plainFormats are the formats whose pieces, one after the other, are the whole.
	plainFormats = []string{"Native", "TabSeparated", "TSV", "TabSeparatedRaw", "TSVRaw", "CSV", "JSONEachRow", "NDJSON", "JSONLines", "JSONCompactEachRow", "RowBinary"}
	// ignored are URL parameters of ClickHouse's HTTP interface that mean nothing here.
	ignored = []string{"query", "database", "default_format", "client_protocol_version", "query_id", "quota_key", "wait_end_of_query", "buffer_size", "compress", "decompress", "network_compression_method", "network_zstd_compression_level"}
)

const tagHeader = "X-ClickHouse-Exception-Tag"

// ServeHTTP answers one request of the ClickHouse HTTP interface.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path == "/ping" || r.URL.Path == "/" && r.URL.RawQuery == "" && r.Method == http.MethodGet {
		io.WriteString(w, "Ok.\n")
		return
	}
	s.running.Add(1)
	defer s.running.Done()
	started := false
	if err := s.serve(w, r, &started); err != nil {
		s.fail(w, err, started)
	}
}

// serve runs the request; started says whether output has been sent when it fails.
func (s *Server) serve(w http.ResponseWriter, r *http.Request, started *bool) (err error) {
	ran := false
	defer func() {
		if err != nil && !ran {
			s.counts.refused.Add(1)
		}
	}()
	reader, err := s.authenticate(r)
	if err != nil {
		return err
	}
	slots := s.slots[reader]
	select {
	case slots <- struct{}{}:
		defer func() { <-slots }()
	case <-time.After(10 * time.Second):
		return chdb.Errorf(202, "TOO_MANY_SIMULTANEOUS_QUERIES", "too many statements are running")
	case <-r.Context().Done():
		return chdb.Errorf(394, "QUERY_WAS_CANCELLED", "the client went away")
	}
	body := bodies.Get().(*bytes.Buffer)
	defer func() {
		if body.Cap() <= maxKeptBody {
			body.Reset()
			bodies.Put(body)
		}
	}()
	rq, err := s.parse(w, r, reader, body)
	if err != nil {
		return err
	}
	if rq.hello {
		return s.answerHello(w)
	}
	ran = true
	end := s.counts.begin(rq.insert, len(rq.data))
	defer func() { end(err) }()
	c, err := s.session(rq)
	if err != nil {
		return err
	}
	defer c.Close()
	done, killed := make(chan struct{}), make(chan struct{})
	stop := context.AfterFunc(r.Context(), func() { s.kill(rq.id, done); close(killed) })
	defer func() {
		if close(done); !stop() {
			<-killed
		}
	}()
	w.Header().Set("X-ClickHouse-Query-Id", rq.id)
	if rq.insert {
		return c.Insert(rq.sql, rq.format, rq.data)
	}
	if rq.streamable() {
		err := s.stream(w, r, c, rq, started)
		if e := (*chdb.Error)(nil); !errors.As(err, &e) || e.Code != 36 || !strings.Contains(e.Text, "Streaming query is not supported") {
			return err // else nothing has run: it is not a plain SELECT after all
		}
	}
	res, err := c.Query(rq.sql, rq.format, rq.params)
	if err != nil {
		return err
	}
	defer res.Free()
	*started = true
	w.Header().Set("Content-Length", strconv.Itoa(len(res.Bytes())))
	w.Write(res.Bytes())
	return nil
}

// authenticate finds the user; it reports whether that is the reader.
func (s *Server) authenticate(r *http.Request) (reader bool, err error) {
	user, password, ok := r.BasicAuth()
	if !ok {
		user, password = r.Header.Get("X-ClickHouse-User"), r.Header.Get("X-ClickHouse-Key")
	}
	want, known := s.cfg.Password, user == "" || user == "default"
	if user == "reader" && s.cfg.ReaderPassword != "" {
		want, known = s.cfg.ReaderPassword, true
	}
	a, b := sha256.Sum256([]byte(password)), sha256.Sum256([]byte(want))
	if subtle.ConstantTimeCompare(a[:], b[:]) != 1 || !known {
		return false, chdb.Errorf(516, "AUTHENTICATION_FAILED", "%s: Authentication failed: password is incorrect, or there is no user with such name", user)
	}
	return user == "reader", nil
}

// bodies are buffers for requests' bodies: an INSERT's is megabytes, and making room for it step by step costs more than
// reading it.
var bodies = sync.Pool{New: func() any { return new(bytes.Buffer) }}

const maxKeptBody = 64 << 20

// parse reads the request whole, its body into read, which the request may go on using.
func (s *Server) parse(w http.ResponseWriter, r *http.Request, reader bool, read *bytes.Buffer) (*request, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	switch {
	case err != nil:
		return nil, chdb.Errorf(36, "BAD_ARGUMENTS", "%v", err)
	case r.Method != http.MethodGet && r.Method != http.MethodPost:
		return nil, chdb.Errorf(48, "NOT_IMPLEMENTED", "only GET and POST are served")
	case q.Get("compress") == "1" || q.Get("decompress") == "1" || r.Header.Get("Content-Encoding") != "":
		return nil, chdb.Errorf(48, "NOT_IMPLEMENTED", "the embedded engine takes no compressed data: set the client's compression to none")
	case strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/"):
		return nil, chdb.Errorf(48, "NOT_IMPLEMENTED", "the embedded engine takes no external tables")
	case q.Has("session_id"):
		return nil, chdb.Errorf(48, "NOT_IMPLEMENTED", "the embedded engine has no sessions: every request stands alone")
	}
	_, err = read.ReadFrom(http.MaxBytesReader(w, r.Body, s.cfg.MaxBody))
	body := read.Bytes()
	if tooLarge := (*http.MaxBytesError)(nil); errors.As(err, &tooLarge) {
		return nil, chdb.Errorf(307, "TOO_MANY_BYTES", "the body is larger than %d bytes", s.cfg.MaxBody)
	} else if err != nil {
		return nil, chdb.Errorf(210, "NETWORK_ERROR", "read the body: %v", err)
	}
	id := make([]byte, 12)
	rand.Read(id)
	rq := &request{id: hex.EncodeToString(id), sql: q.Get("query"), format: cmp.Or(q.Get("default_format"), "TabSeparated"), database: q.Get("database"),
		reader: reader || r.Method == http.MethodGet, params: map[string]string{}, settings: map[string]string{}}
	if m := insertTail.FindStringSubmatch(rq.sql); m != nil && r.Method == http.MethodPost {
		rq.insert, rq.sql, rq.format, rq.data = true, m[1], cmp.Or(m[2], "Values"), body
	} else {
		rq.sql = strings.TrimSpace(rq.sql + "\n" + string(body))
	}
	for name, values := range q {
		value := values[len(values)-1]
		if param, ok := strings.CutPrefix(name, "param_"); ok {
			rq.params[param] = value
		} else if !slices.Contains(ignored, name) {
			rq.settings[name] = value
		}
	}
	rq.hello = q.Has("client_protocol_version") && rq.sql == helloQuery
	return rq, nil
}

// session opens the request's own connection: its settings and database end with it.
func (s *Server) session(rq *request) (*chdb.Conn, error) {
	c, err := s.lib.Open("--path="+s.cfg.Dir, "--session_timezone=UTC", "--async_insert=0", fmt.Sprintf("--max_memory_usage=%d", s.cfg.MaxMemory))
	if err == nil {
		if err = s.prepare(c, rq); err != nil {
			c.Close()
		}
	}
	return c, err
}

func (s *Server) prepare(c *chdb.Conn, rq *request) error {
	rq.settings["log_comment"] = rq.id // by which kill finds it
	if rq.reader {
		rq.settings["max_memory_usage"] = strconv.FormatInt(s.cfg.MaxMemory/2, 10)
		if limit, err := strconv.ParseFloat(rq.settings["max_execution_time"], 64); err != nil || !(limit > 0 && limit < 300) {
			rq.settings["max_execution_time"] = "300"
		}
		delete(rq.settings, "readonly")
	}
	var set strings.Builder
	for name, value := range rq.settings {
		if !settingName.MatchString(name) || rq.reader && strings.HasPrefix(name, "allow_") {
			return chdb.Errorf(115, "UNKNOWN_SETTING", "Unknown setting %q, or not one for a reader", name)
		}
		set.WriteString("`" + name + "` = " + chdb.Quote(value, '\'') + ", ")
	}
	if _, err := c.Text("SET " + strings.TrimSuffix(set.String(), ", ")); err != nil {
		return err
	}
	if rq.database != "" {
		if _, err := c.Text("USE " + chdb.Quote(rq.database, '`')); err != nil {
			return err
		}
	}
	if !rq.reader {
		return nil
	}
	// readonly alone would still let KILL, INTO OUTFILE and the function file() through. That name could
	// hide behind an escape in a quoted identifier, or in a text given to eval().
	if hidden.MatchString(rq.sql) || strings.Contains(rq.sql, `\`) && strings.ContainsAny(rq.sql, "`\"") {
		return chdb.Errorf(164, "READONLY", "a reader's statement may neither say file or eval nor use a backslash beside quoted identifiers")
	}
	switch class, n := c.Classify(rq.sql); {
	case rq.insert || class != chdb.ReadOnly && class != chdb.Unparsed || n > 1:
		return chdb.Errorf(164, "READONLY", "Cannot execute query in readonly mode: only one reading statement is allowed")
	case class == chdb.Unparsed:
		return chdb.Errorf(62, "SYNTAX_ERROR", "Syntax error: this is no statement the engine can read")
	}
	_, err := c.Text("SET readonly = 1")
	return err
}

// streamable reports whether the output can be sent as it comes. Totals anywhere, or a FORMAT that is not
// one of these, even in a comment, means no: then the answer is right too, only held in memory first.
func (rq *request) streamable() bool {
	for _, m := range formatName.FindAllStringSubmatch(rq.sql, -1) {
		if !slices.Contains(plainFormats, m[1]) {
			return false
		}
	}
	return slices.Contains(plainFormats, rq.format) && selectStart.MatchString(rq.sql)
}

// stream sends a SELECT's output piece by piece.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, c *chdb.Conn, rq *request, started *bool) error {
	stream, err := c.Stream(rq.sql, rq.format, rq.params)
	if err != nil {
		return err
	}
	defer stream.Free()
	control := http.NewResponseController(w)
	for {
		piece, err := c.Next(stream)
		if err != nil {
			return err
		}
		if len(piece.Bytes()) == 0 {
			piece.Free()
			return nil
		}
		if !*started {
			*started = true
			w.Header().Set(tagHeader, rq.id[:16])
		}
		control.SetWriteDeadline(time.Now().Add(10 * time.Minute))
		_, err = w.Write(piece.Bytes())
		piece.Free()
		if err != nil || r.Context().Err() != nil {
			c.Cancel(stream)
			return chdb.Errorf(394, "QUERY_WAS_CANCELLED", "Query was cancelled")
		}
	}
}

// answerHello tells clickhouse-go that this server speaks revision 0, so that every later block is the
// engine's plain FORMAT Native. This one answer has to be encoded at the driver's own revision.
func (s *Server) answerHello(w http.ResponseWriter) error {
	block := proto.NewBlock()
	err := errors.Join(block.AddColumn("displayName()", "String"), block.AddColumn("version()", "String"),
		block.AddColumn("revision()", "UInt32"), block.AddColumn("timezone()", "String"),
		block.Append(DisplayName, s.version, uint32(0), "UTC"))
	buffer := new(chproto.Buffer)
	if err = errors.Join(err, block.Encode(buffer, clickhouse.ClientTCPProtocolVersion)); err != nil {
		return err
	}
	_, err = w.Write(buffer.Buf)
	return err
}

// fail reports err: by status and header while nothing has been sent; afterwards by ClickHouse's framed
// block at the end of the output, and by breaking the connection off so that no client takes it for whole.
func (s *Server) fail(w http.ResponseWriter, err error, started bool) {
	e := (*chdb.Error)(nil)
	if !errors.As(err, &e) {
		e = chdb.Errorf(1002, "UNKNOWN_EXCEPTION", "%v", err)
	}
	if started {
		tag := w.Header().Get(tagHeader)
		fmt.Fprintf(w, "\r\n__exception__\r\n%s\r\n%s\n%d %s\r\n__exception__\r\n", tag, e.Text, len(e.Text), tag)
		http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	}
	status, known := map[int]int{516: http.StatusUnauthorized, 307: http.StatusRequestEntityTooLarge, 202: http.StatusServiceUnavailable, 48: http.StatusNotImplemented}[e.Code]
	if !known {
		status = http.StatusInternalServerError
	}
	w.Header().Set("X-ClickHouse-Exception-Code", strconv.Itoa(e.Code))
	w.Header().Set("Content-Type", "text/plain; charset=UTF-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, e.Text)
}
