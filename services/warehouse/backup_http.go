package warehouse

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// rawHTTP speaks ClickHouse's HTTP interface with data as bytes: what clickhouse-go does not offer.
type rawHTTP struct {
	client   *http.Client
	base     url.URL
	auth     clickhouse.Auth
	headers  map[string]string
	settings clickhouse.Settings
}

// raw is refused for the native protocol, which has no way to hand blocks through.
func (db *DB) raw() (*rawHTTP, error) {
	opt, err := clickhouse.ParseDSN(db.cfg.DSN)
	if err != nil {
		return nil, fmt.Errorf("warehouse dsn: %w", err)
	}
	if opt.Protocol != clickhouse.HTTP {
		return nil, errors.New("backup and restore use ClickHouse's HTTP interface: give its address, --warehouse http://user@host:8123")
	}
	r := &rawHTTP{base: url.URL{Scheme: "http", Host: opt.Addr[0], Path: opt.HttpUrlPath}, auth: opt.Auth, headers: opt.HttpHeaders, settings: db.settings}
	r.auth.Database = db.cfg.Database
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.DisableCompression = true // zstd follows
	if opt.TLS != nil {
		r.base.Scheme, transport.TLSClientConfig = "https", opt.TLS
	}
	transport.ResponseHeaderTimeout = 30 * time.Minute
	r.client = &http.Client{Transport: transport}
	return r, nil
}

func (r *rawHTTP) close() { r.client.CloseIdleConnections() }

// do sends a statement and returns the output, which the caller closes.
func (r *rawHTTP) do(ctx context.Context, statement string, body []byte, settings clickhouse.Settings) (io.ReadCloser, error) {
	q := url.Values{"query": {statement}, "database": {r.auth.Database}}
	for name, v := range settings {
		q.Set(name, fmt.Sprint(v))
	}
	at := r.base
	at.RawQuery = q.Encode()
	rq, err := http.NewRequestWithContext(ctx, http.MethodPost, at.String(), bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	for name, v := range r.headers {
		rq.Header.Set(name, v)
	}
	user := r.auth.Username
	if user == "" {
		user = "default"
	}
	rq.Header.Set("X-ClickHouse-User", user)
	rq.Header.Set("X-ClickHouse-Key", r.auth.Password)
	answer, err := r.client.Do(rq)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) { // its text holds the whole statement
			err = u.Err
		}
		return nil, err
	}
	if answer.StatusCode != http.StatusOK {
		defer answer.Body.Close()
		text, _ := io.ReadAll(io.LimitReader(answer.Body, 4096))
		return nil, fmt.Errorf("%s: %s", answer.Status, strings.TrimSpace(string(text)))
	}
	return answer.Body, nil
}

// insert stores one body of Native blocks.
func (r *rawHTTP) insert(ctx context.Context, table string, columns []string, body []byte) error {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = identifier(c)
	}
	out, err := r.do(ctx, "INSERT INTO "+identifier(table)+" ("+strings.Join(names, ", ")+") FORMAT Native", body, r.settings)
	if err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, out)
	return errors.Join(err, out.Close())
}
