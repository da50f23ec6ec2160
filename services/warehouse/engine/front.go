//go:build linux || darwin

package engine

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/proto"
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
	insertTail   = regexp.MustCompile(`(?is)^(\s*INSERT\s.*?)\s+(?:FORMAT\s+(\w+)|VALUES)\s*;?\s*$`)
	formatName   = regexp.MustCompile(`(?i)\bFORMAT\s+(\w+)`)
	selectStart  = regexp.MustCompile(`(?is)^(?:\s|\(|--[^\n]*\n|/\*.*?\*/)*(?:SELECT|WITH)\b`)
	settingName  = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	fileFunction = regexp.MustCompile(`(?i)\bfile\b`)
	// piecewise are the formats whose pieces, one after the other, are the whole.
	piecewise = []string{"Native", "TabSeparated", "TSV", "TabSeparatedRaw", "TSVRaw", "CSV", "JSONEachRow", "NDJSON", "JSONLines", "JSONCompactEachRow", "RowBinary", "Null"}
	// ignored are URL parameters of ClickHouse's HTTP interface that mean nothing here.
	ignored = []string{"query", "database", "default_format", "client_protocol_version", "query_id", "quota_key", "wait_end_of_query", "buffer_size", "network_compression_method", "network_zstd_compression_level"}
)

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
func (s *Server) serve(w http.ResponseWriter, r *http.Request, started *bool) error {
	reader, err := s.authenticate(r)
	if err != nil {
		return err
	}
	slots := s.slots[reader]
	select {
	case slots <- struct{}{}:
		defer func() { <-slots }()
	case <-time.After(10 * time.Second):
		return fault(202, "TOO_MANY_SIMULTANEOUS_QUERIES", "too many statements are running")
	case <-r.Context().Done():
		return fault(394, "QUERY_WAS_CANCELLED", "the client went away")
	}
	rq, err := s.parse(w, r, reader)
	if err != nil {
		return err
	}
	if rq.hello {
		return s.answerHello(w)
	}
	c, err := s.session(rq)
	if err != nil {
		return err
	}
	defer c.close()
	done := make(chan struct{})
	defer close(done)
	defer context.AfterFunc(r.Context(), func() { s.kill(rq.id, done) })()
	w.Header().Set("X-ClickHouse-Query-Id", rq.id)
	if rq.insert {
		return c.insert(rq.sql, rq.format, rq.data)
	}
	if selectStart.MatchString(rq.sql) && s.piecewise(rq) {
		err := s.stream(w, r, c, rq, started)
		if e := (*exception)(nil); !errors.As(err, &e) || e.code != 36 || !strings.Contains(e.text, "Streaming query is not supported") {
			return err // else nothing has run: it is not a plain SELECT after all
		}
	}
	res, err := c.query(rq.sql, rq.format, rq.params)
	if err != nil {
		return err
	}
	defer res.free()
	*started = true
	w.Header().Set("Content-Length", strconv.Itoa(len(res.bytes())))
	w.Write(res.bytes())
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
		return false, fault(516, "AUTHENTICATION_FAILED", user+": Authentication failed: password is incorrect, or there is no user with such name")
	}
	return user == "reader", nil
}

// parse reads the request whole.
func (s *Server) parse(w http.ResponseWriter, r *http.Request, reader bool) (*request, error) {
	q, err := parseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, fault(36, "BAD_ARGUMENTS", err.Error())
	}
	switch {
	case r.Method != http.MethodGet && r.Method != http.MethodPost:
		return nil, fault(48, "NOT_IMPLEMENTED", "only GET and POST are served")
	case q["compress"] == "1" || q["decompress"] == "1" || r.Header.Get("Content-Encoding") != "":
		return nil, fault(48, "NOT_IMPLEMENTED", "the embedded engine takes no compressed data: set the client's compression to none")
	case strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/"):
		return nil, fault(48, "NOT_IMPLEMENTED", "the embedded engine takes no external tables")
	case q["session_id"] != "":
		return nil, fault(48, "NOT_IMPLEMENTED", "the embedded engine has no sessions: every request stands alone")
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, s.cfg.MaxBody))
	if tooLarge := (*http.MaxBytesError)(nil); errors.As(err, &tooLarge) {
		return nil, fault(307, "TOO_MANY_BYTES", "the body is larger than "+strconv.FormatInt(s.cfg.MaxBody, 10)+" bytes")
	} else if err != nil {
		return nil, fault(210, "NETWORK_ERROR", "read the body: "+err.Error())
	}
	id := make([]byte, 12)
	rand.Read(id)
	rq := &request{id: hex.EncodeToString(id), sql: q["query"], format: q["default_format"], database: q["database"],
		reader: reader || r.Method == http.MethodGet, params: map[string]string{}, settings: map[string]string{}}
	if rq.format == "" {
		rq.format = "TabSeparated"
	}
	if m := insertTail.FindStringSubmatch(rq.sql); m != nil && r.Method == http.MethodPost {
		rq.insert, rq.sql, rq.format, rq.data = true, m[1], m[2], body
		if rq.format == "" {
			rq.format = "Values"
		}
	} else {
		rq.sql = strings.TrimSpace(rq.sql + "\n" + string(body))
	}
	for name, value := range q {
		if param, ok := strings.CutPrefix(name, "param_"); ok {
			rq.params[param] = value
		} else if !slices.Contains(ignored, name) && name != "compress" && name != "decompress" {
			rq.settings[name] = value
		}
	}
	_, driver := q["client_protocol_version"]
	rq.hello = driver && rq.sql == helloQuery
	return rq, nil
}

// session opens the request's own connection: its settings and database end with it.
func (s *Server) session(rq *request) (*conn, error) {
	c, err := s.lib.open("--path="+s.cfg.Dir, "--session_timezone=UTC", "--async_insert=0", "--max_memory_usage="+strconv.FormatInt(s.cfg.MaxMemory, 10))
	if err != nil {
		return nil, fault(279, "ALL_CONNECTION_TRIES_FAILED", err.Error())
	}
	if err := s.prepare(c, rq); err != nil {
		c.close()
		return nil, err
	}
	return c, nil
}

func (s *Server) prepare(c *conn, rq *request) error {
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
		if !settingName.MatchString(name) {
			return fault(115, "UNKNOWN_SETTING", "Unknown setting "+strconv.Quote(name))
		}
		set.WriteString("`" + name + "` = " + quoted(value, '\'') + ", ")
	}
	if _, err := c.text("SET " + strings.TrimSuffix(set.String(), ", ")); err != nil {
		return err
	}
	if rq.database != "" {
		if _, err := c.text("USE " + quoted(rq.database, '`')); err != nil {
			return err
		}
	}
	if !rq.reader {
		return nil
	}
	// readonly alone would still let KILL, INTO OUTFILE and the function file() through. Its name could
	// hide behind an escape in a quoted identifier.
	if fileFunction.MatchString(rq.sql) || strings.Contains(rq.sql, `\`) && strings.ContainsAny(rq.sql, "`\"") {
		return fault(164, "READONLY", "a reader's statement may neither name file nor use a backslash beside quoted identifiers")
	}
	switch class, n := c.classify(rq.sql); {
	case rq.insert || class != 0 && class != unparsed || n > 1:
		return fault(164, "READONLY", "Cannot execute query in readonly mode: only one reading statement is allowed")
	case class == unparsed:
		return fault(62, "SYNTAX_ERROR", "Syntax error: this is no statement the engine can read")
	}
	_, err := c.text("SET readonly = 1")
	return err
}

// piecewise reports whether the output can be sent as it comes. A FORMAT anywhere, even in a comment,
// that is not of these formats means no: then the answer is right too, only not streamed.
func (s *Server) piecewise(rq *request) bool {
	for _, m := range formatName.FindAllStringSubmatch(rq.sql, -1) {
		if !slices.Contains(piecewise, m[1]) {
			return false
		}
	}
	return slices.Contains(piecewise, rq.format)
}

func (s *Server) stream(w http.ResponseWriter, r *http.Request, c *conn, rq *request, started *bool) error {
	stream, err := c.stream(rq.sql, rq.format, rq.params)
	if err != nil {
		return err
	}
	defer stream.free()
	control := http.NewResponseController(w)
	for {
		piece, err := c.next(stream)
		if err != nil {
			return err
		}
		if len(piece.bytes()) == 0 {
			piece.free()
			return nil
		}
		if !*started {
			*started = true
			w.Header().Set(tagHeader, rq.id[:16])
		}
		control.SetWriteDeadline(time.Now().Add(10 * time.Minute))
		_, err = w.Write(piece.bytes())
		piece.free()
		if err != nil || r.Context().Err() != nil {
			c.lib.cancel(*c.ptr, stream.ptr)
			return nil // nobody is there to be told
		}
	}
}

// answerHello tells clickhouse-go that this server speaks revision 0, so that every later block is the
// engine's plain FORMAT Native. This one answer has to be encoded at the driver's own revision.
func (s *Server) answerHello(w http.ResponseWriter) error {
	block := proto.NewBlock()
	err := errors.Join(block.AddColumn("displayName()", "String"), block.AddColumn("version()", "String"),
		block.AddColumn("revision()", "UInt32"), block.AddColumn("timezone()", "String"),
		block.Append("downweb engine", s.version, uint32(0), "UTC"))
	buffer := new(chproto.Buffer)
	if err = errors.Join(err, block.Encode(buffer, clickhouse.ClientTCPProtocolVersion)); err != nil {
		return err
	}
	_, err = io.Copy(w, bytes.NewReader(buffer.Buf))
	return err
}

// parseQuery reads URL parameters; of one given twice the last counts.
func parseQuery(raw string) (map[string]string, error) {
	values, err := url.ParseQuery(raw)
	if err != nil {
		return nil, err
	}
	q := make(map[string]string, len(values))
	for name, v := range values {
		q[name] = v[len(v)-1]
	}
	return q, nil
}
