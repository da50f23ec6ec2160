package main

import (
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

// Files of the log server's own certificate in the keys directory.
const (
	fileCertAndKey = "nats.pem" // certificate and private key, 0600
	fileCert       = "nats.crt" // the certificate alone, by which others know the server
)

// serverTLS is the TLS of the embedded server: the certificate of the config; else, where other machines reach the
// server, one that is made at the first start; else none.
func (c *Config) serverTLS() (logserver.TLS, error) {
	t := logserver.TLS{CertFile: c.NATS.TLS.Cert, KeyFile: c.NATS.TLS.Key, CAFile: c.NATS.TLS.CA, AllowPlain: c.NATS.Plaintext}
	if t.CertFile != "" {
		return t, nil
	}
	t.CAFile = ""
	if !eventlog.Remote(c.NATS.Listen) && !eventlog.Remote(c.NATS.Cluster.Listen) {
		return t, nil
	}
	both := filepath.Join(c.keysDir(), fileCertAndKey)
	t.CertFile, t.KeyFile = both, both
	return t, c.makeCert(both)
}

// makeCert makes the server's own certificate where there is none yet.
func (c *Config) makeCert(both string) error {
	if _, err := os.Stat(both); errors.Is(err, os.ErrNotExist) {
		var hosts []string
		for _, addr := range []string{c.NATS.Listen, c.NATS.Cluster.Listen, c.NATS.Cluster.Advertise} {
			if h, _, err := net.SplitHostPort(addr); err == nil {
				hosts = append(hosts, h)
			}
		}
		if h, err := os.Hostname(); err == nil {
			hosts = append(hosts, h)
		}
		text, err := logserver.SelfSigned(hosts, time.Now())
		if err != nil {
			return err
		}
		if err := writeOnce(both, text); err != nil {
			return err
		}
	}
	text, err := os.ReadFile(both)
	if err != nil {
		return fmt.Errorf("certificate: %w", err)
	}
	for b, rest := pem.Decode(text); b != nil; b, rest = pem.Decode(rest) {
		if b.Type == "CERTIFICATE" {
			return writeOnce(filepath.Join(c.keysDir(), fileCert), pem.EncodeToMemory(b))
		}
	}
	return fmt.Errorf("no certificate in %s", both)
}

// writeOnce writes a file, mode 0600, unless it is there: then the first one holds.
func writeOnce(file string, text []byte) error {
	if _, err := os.Stat(file); err == nil {
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	draft := file + "." + rand.Text()
	if err := os.WriteFile(draft, text, 0o600); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	defer os.Remove(draft)
	if err := os.Link(draft, file); err != nil && !errors.Is(err, os.ErrExist) {
		return fmt.Errorf("keys: %w", err)
	}
	return nil
}

// saySecurity tells the log how the server may be spoken to.
func (c *Config) saySecurity(t logserver.TLS, log *slog.Logger) {
	if t.CertFile != "" {
		if pins, err := eventlog.Fingerprints(t.CertFile); err == nil {
			log.Info("agents know this server by its certificate", "sha256", pins[0], "file", t.CertFile)
		}
	}
	if c.NATS.Plaintext && (eventlog.Remote(c.NATS.Listen) || eventlog.Remote(c.NATS.Cluster.Listen)) {
		log.Warn("nats.plaintext is set: passwords and events of other machines may cross the network in the clear")
	}
}

// logTLS is how the log server at url is known.
func (c *Config) logTLS(url string) (eventlog.TLS, error) {
	t := eventlog.TLS{CAFile: c.NATS.TLS.CA, Required: eventlog.Remote(url) && !c.NATS.Plaintext}
	if t.CAFile != "" {
		return t, nil
	}
	file := filepath.Join(c.keysDir(), fileCert)
	if c.NATS.URL == "" && c.NATS.TLS.Cert != "" {
		file = c.NATS.TLS.Cert
	}
	pins, err := eventlog.Fingerprints(file)
	if errors.Is(err, os.ErrNotExist) {
		return t, nil
	}
	t.Pins = pins
	return t, err
}

// tokenServer is what a token says of the log server: its address, as another machine reaches it, and how it is known.
func (c *Config) tokenServer(server string) (url string, pins []string, plain bool, err error) {
	scheme, file := "nats", ""
	if c.NATS.URL == "" {
		t, err := c.serverTLS()
		if err != nil {
			return "", nil, false, err
		}
		file = t.CertFile
	} else if own := filepath.Join(c.keysDir(), fileCert); c.NATS.TLS.CA == "" {
		if _, err := os.Stat(own); err == nil {
			file = own
		}
	}
	for _, f := range []string{file, c.NATS.TLS.CA} {
		if f == "" {
			continue
		}
		more, err := eventlog.Fingerprints(f)
		if err != nil {
			return "", nil, false, err
		}
		if f == file {
			more = more[:1] // its authority is trusted where the config names it
		}
		pins = append(pins, more...)
	}
	if len(pins) > 0 {
		scheme = "tls"
	}
	url = c.NATS.URL
	switch {
	case server != "":
		url = server
	case url == "":
		host, port, err := net.SplitHostPort(c.NATS.Listen)
		if err != nil {
			return "", nil, false, err
		}
		if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
			if host, err = os.Hostname(); err != nil {
				return "", nil, false, fmt.Errorf("the name of this machine: %w (give --server)", err)
			}
		}
		if e, err := dataDir(c.DataDir).readEndpoints(); err == nil && port == "0" { // the one that was taken
			_, port, _ = net.SplitHostPort(strings.TrimPrefix(e.NATS, "nats://"))
		}
		url = net.JoinHostPort(host, port)
	}
	var parts []string
	for part := range strings.SplitSeq(url, ",") {
		part = strings.TrimSpace(part)
		if _, rest, ok := strings.Cut(part, "://"); ok && (scheme == "tls" || strings.HasPrefix(part, "nats://")) {
			part = rest
		} else if ok {
			parts = append(parts, part)
			continue
		}
		parts = append(parts, scheme+"://"+part)
	}
	url = strings.Join(parts, ",")
	return url, pins, c.NATS.Plaintext && scheme == "nats" && eventlog.Remote(url), nil
}
