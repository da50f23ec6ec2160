//go:build linux || darwin

// Package chdb binds libchdb, the ClickHouse engine as a library, without cgo.
//
// What its user must keep to: one Library and one data directory in a process; a Conn runs one statement
// at a time, and must not be closed while it runs; every Result is freed once; one Conn stays open for as
// long as the engine shall run, for closing the last one shuts it down.
package chdb

import (
	"errors"
	"fmt"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"unsafe"

	"github.com/ebitengine/purego"
)

// Library is libchdb's C interface: the functions of chdb.h that the front needs.
// Results and streams are opaque pointers owned by the library; each is destroyed exactly once.
type Library struct {
	signals       func(enabled int32)
	connect       func(argc int32, argv **byte) *unsafe.Pointer
	closeConn     func(*unsafe.Pointer)
	query         func(conn unsafe.Pointer, sql string, n int, format string, fn int, names **byte, nameLens *int, values **byte, valueLens *int, count int) unsafe.Pointer
	stream        func(conn unsafe.Pointer, sql string, n int, format string, fn int, names **byte, nameLens *int, values **byte, valueLens *int, count int) unsafe.Pointer
	fetch         func(conn, stream unsafe.Pointer) unsafe.Pointer
	cancel        func(conn, stream unsafe.Pointer)
	destroy       func(result unsafe.Pointer)
	buffer        func(result unsafe.Pointer) *byte
	length        func(result unsafe.Pointer) int
	message       func(result unsafe.Pointer) *byte
	insert        func(conn unsafe.Pointer, sql string, n int, format string, fn int) unsafe.Pointer
	append        func(stream unsafe.Pointer, data *byte, n int) int32
	done          func(stream unsafe.Pointer) unsafe.Pointer
	insertMessage func(stream unsafe.Pointer) *byte
	destroyInsert func(stream unsafe.Pointer)
	classifier    func(conn unsafe.Pointer, sql string, n int, database *byte, dn int, out *[4]uint32) int32
	sigaction     func(sig int32, act, old *[256]byte) int32
	goActions     [8][256]byte // Go's own signal handlers, as sigaction gave them
}

// Load opens the library at path, which must be absolute.
func Load(path string) (*Library, error) {
	handle, err := purego.Dlopen(path, purego.RTLD_NOW|purego.RTLD_LOCAL)
	if err != nil {
		return nil, fmt.Errorf("load the ClickHouse engine: %w", err)
	}
	l := &Library{}
	for name, fn := range map[string]any{
		"chdb_set_signal_handlers_enabled": &l.signals, "chdb_connect": &l.connect, "chdb_close_conn": &l.closeConn,
		"chdb_query_with_params_n": &l.query, "chdb_stream_query_with_params_n": &l.stream,
		"chdb_stream_fetch_result": &l.fetch, "chdb_stream_cancel_query": &l.cancel,
		"chdb_destroy_query_result": &l.destroy, "chdb_result_buffer": &l.buffer, "chdb_result_length": &l.length,
		"chdb_result_error": &l.message, "chdb_stream_insert_n": &l.insert, "chdb_stream_append": &l.append,
		"chdb_stream_done": &l.done, "chdb_stream_insert_error": &l.insertMessage, "chdb_destroy_insert_stream": &l.destroyInsert,
		"chdb_classify_query_n": &l.classifier,
	} {
		symbol, err := purego.Dlsym(handle, name)
		if err != nil {
			return nil, fmt.Errorf("load the ClickHouse engine: %s has no %s: %w", path, name, err)
		}
		purego.RegisterFunc(fn, symbol)
	}
	symbol, err := purego.Dlsym(purego.RTLD_DEFAULT, "sigaction")
	if err != nil {
		return nil, fmt.Errorf("load the ClickHouse engine: %w", err)
	}
	purego.RegisterFunc(&l.sigaction, symbol)
	for i, s := range deadly {
		l.sigaction(int32(s), nil, &l.goActions[i])
	}
	l.signals(0)
	l.restoreSignals()
	return l, nil
}

// deadly are the signals whose handlers the library resets to the system's default, silently, when its own
// handlers are switched off and at every connect after that. Go's must come back each time, or a nil
// dereference kills the process instead of becoming a panic.
var deadly = [8]syscall.Signal{syscall.SIGABRT, syscall.SIGSEGV, syscall.SIGILL, syscall.SIGBUS, syscall.SIGSYS, syscall.SIGFPE, syscall.SIGTSTP, syscall.SIGTRAP}

func (l *Library) restoreSignals() {
	for i, s := range deadly {
		l.sigaction(int32(s), &l.goActions[i], nil)
	}
}

// Conn is one connection to the engine of this process. It runs one statement at a time.
type Conn struct {
	lib *Library
	ptr *unsafe.Pointer
}

// Open connects. The first connection of the process boots the engine with its --path.
func (l *Library) Open(args ...string) (*Conn, error) {
	argv := make([]*byte, 0, len(args)+2)
	for _, a := range append([]string{"clickhouse"}, args...) {
		p, err := syscall.BytePtrFromString(a)
		if err != nil {
			return nil, err
		}
		argv = append(argv, p)
	}
	argv = append(argv, nil)
	c := &Conn{lib: l}
	c.ptr = l.connect(int32(len(argv)-1), &argv[0])
	l.restoreSignals()
	runtime.KeepAlive(argv)
	if c.ptr == nil || *c.ptr == nil {
		return nil, errors.New("the ClickHouse engine refused a connection: is its data directory used by another process?")
	}
	return c, nil
}

// Close ends the connection.
func (c *Conn) Close() { c.lib.closeConn(c.ptr) }

// Result is a finished statement's output, or one piece of a stream.
type Result struct {
	lib *Library
	ptr unsafe.Pointer
}

// Bytes is the output; it is gone after Free.
func (r Result) Bytes() []byte { return unsafe.Slice(r.lib.buffer(r.ptr), r.lib.length(r.ptr)) }

// Free gives the memory back.
func (r Result) Free() { r.lib.destroy(r.ptr) }

func (c *Conn) result(ptr unsafe.Pointer) (Result, error) {
	if ptr == nil {
		return Result{}, errors.New("the ClickHouse engine gave no result")
	}
	if m := c.lib.message(ptr); m != nil {
		defer c.lib.destroy(ptr)
		return Result{}, parseError(cString(m))
	}
	return Result{c.lib, ptr}, nil
}

// Query runs a statement to its end. Parameter values are TSV-escaped text.
func (c *Conn) Query(sql, format string, params map[string]string) (Result, error) {
	return c.call(c.lib.query, sql, format, params)
}

// Stream starts a SELECT whose output Next hands out piece by piece.
func (c *Conn) Stream(sql, format string, params map[string]string) (Result, error) {
	return c.call(c.lib.stream, sql, format, params)
}

// Next is the stream's next piece; an empty one ends it.
func (c *Conn) Next(stream Result) (Result, error) {
	return c.result(c.lib.fetch(*c.ptr, stream.ptr))
}

// Cancel ends a stream that is not read to its end.
func (c *Conn) Cancel(stream Result) { c.lib.cancel(*c.ptr, stream.ptr) }

func (c *Conn) call(f func(unsafe.Pointer, string, int, string, int, **byte, *int, **byte, *int, int) unsafe.Pointer, sql, format string, params map[string]string) (Result, error) {
	n := len(params)
	text, lens := make([]*byte, 2*n+2), make([]int, 2*n+2)
	i := 0
	for name, value := range params {
		text[i], lens[i] = unsafe.StringData(name+"\x00"), len(name)
		text[n+1+i], lens[n+1+i] = unsafe.StringData(value+"\x00"), len(value)
		i++
	}
	ptr := f(*c.ptr, sql, len(sql), format, len(format), &text[0], &lens[0], &text[n+1], &lens[n+1], n)
	runtime.KeepAlive(text)
	runtime.KeepAlive(lens)
	return c.result(ptr)
}

// Insert runs an INSERT, given without its FORMAT clause, over data in the given input format.
func (c *Conn) Insert(sql, format string, data []byte) error {
	s := c.lib.insert(*c.ptr, sql, len(sql), format, len(format))
	defer c.lib.destroyInsert(s)
	if m := c.lib.insertMessage(s); m != nil {
		return parseError(cString(m))
	}
	if len(data) > 0 && c.lib.append(s, &data[0], len(data)) != 0 {
		if m := c.lib.insertMessage(s); m != nil {
			return parseError(cString(m))
		}
	}
	r, err := c.result(c.lib.done(s))
	if err == nil {
		r.Free()
	}
	return err
}

// Text runs a statement and gives its output without the line end.
func (c *Conn) Text(sql string) (string, error) {
	r, err := c.Query(sql, "TabSeparated", nil)
	if err != nil {
		return "", err
	}
	defer r.Free()
	return strings.TrimSuffix(string(r.Bytes()), "\n"), nil
}

// ReadOnly and Unparsed are classes of statements: those that leave no trace, and what is no statement.
const (
	ReadOnly = 0
	Unparsed = 4
)

// Classify says, by the engine's own parser, what the text would do and how many statements it holds.
func (c *Conn) Classify(sql string) (class, statements int) {
	out := [4]uint32{16, 0, 0, Unparsed} // chdb_query_analysis_v1: size, statements, flags, class
	if c.lib.classifier(*c.ptr, sql, len(sql), nil, 0, &out) != 0 {
		return Unparsed, 0
	}
	return int(out[3]), int(out[1])
}

// Quote is text as an SQL string (quote ') or identifier (quote `).
func Quote(text string, quote byte) string {
	q := string(quote)
	return q + strings.NewReplacer(`\`, `\\`, q, `\`+q).Replace(text) + q
}

// Error is a failure as ClickHouse reports it: an error code and a text that begins with it.
type Error struct {
	Code int
	Text string
}

func (e *Error) Error() string { return e.Text }

// Errorf makes an error of the caller's own under ClickHouse's code and name for its kind.
func Errorf(code int, name, text string, args ...any) *Error {
	return &Error{code, fmt.Sprintf("Code: %d. DB::Exception: %s (%s)", code, fmt.Sprintf(text, args...), name)}
}

var codePrefix = regexp.MustCompile(`^(?:Code: (\d+)\. DB::Exception: )+`)

// parseError reads an engine message, in which the prefix may stand several times.
// Without one the code is 1002, UNKNOWN_EXCEPTION.
func parseError(text string) *Error {
	m := codePrefix.FindStringSubmatch(text)
	if m == nil {
		return Errorf(1002, "UNKNOWN_EXCEPTION", "%s", text)
	}
	code, _ := strconv.Atoi(m[1])
	return &Error{code, fmt.Sprintf("Code: %d. DB::Exception: %s", code, text[len(m[0]):])}
}

func cString(p *byte) string {
	n := 0
	for *(*byte)(unsafe.Add(unsafe.Pointer(p), n)) != 0 {
		n++
	}
	return string(unsafe.Slice(p, n))
}
