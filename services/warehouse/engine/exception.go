//go:build linux || darwin

package engine

import (
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strconv"
)

// exception is a failure as ClickHouse reports it: an error code and a text that begins with it.
type exception struct {
	code int
	text string
}

func (e *exception) Error() string { return e.text }

// fault is an exception of the front itself, under ClickHouse's code and name for its kind.
func fault(code int, name, text string) *exception {
	return &exception{code, fmt.Sprintf("Code: %d. DB::Exception: %s (%s)", code, text, name)}
}

var codePrefix = regexp.MustCompile(`^(?:Code: (\d+)\. DB::Exception: )+`)

// parseException reads an engine message, in which the prefix may stand several times.
// Without one the code is 1002, UNKNOWN_EXCEPTION.
func parseException(text string) *exception {
	m := codePrefix.FindStringSubmatch(text)
	if m == nil {
		return fault(1002, "UNKNOWN_EXCEPTION", text)
	}
	code, _ := strconv.Atoi(m[1])
	return &exception{code, fmt.Sprintf("Code: %d. DB::Exception: %s", code, text[len(m[0]):])}
}

const tagHeader = "X-ClickHouse-Exception-Tag"

// fail reports err: by status and header while nothing has been sent; afterwards by ClickHouse's framed
// block at the end of the output, and by breaking the connection off so that no client takes it for whole.
func (s *Server) fail(w http.ResponseWriter, err error, started bool) {
	e := (*exception)(nil)
	if !errors.As(err, &e) {
		e = fault(1002, "UNKNOWN_EXCEPTION", err.Error())
	}
	if started {
		tag := w.Header().Get(tagHeader)
		fmt.Fprintf(w, "\r\n__exception__\r\n%s\r\n%s\n%d %s\r\n__exception__\r\n", tag, e.text, len(e.text), tag)
		http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	}
	status, known := map[int]int{516: http.StatusUnauthorized, 307: http.StatusRequestEntityTooLarge, 202: http.StatusServiceUnavailable, 48: http.StatusNotImplemented}[e.code]
	if !known {
		status = http.StatusInternalServerError
	}
	w.Header().Set("X-ClickHouse-Exception-Code", strconv.Itoa(e.code))
	w.Header().Set("Content-Type", "text/plain; charset=UTF-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, e.text)
}
