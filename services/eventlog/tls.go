package eventlog

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"

	"github.com/nats-io/nats.go"
)

// TLS is how a client knows the log server. The zero value takes plaintext
// where the server offers no TLS, and the system's authorities where it does.
type TLS struct {
	// Pins are fingerprints (Fingerprint) of certificates that are trusted by
	// themselves, whatever names and dates stand in them: the server's own, or
	// one of an authority that the server sends with its own.
	Pins []string
	// CAFile holds certificates of authorities, PEM. With Pins it is not read.
	CAFile string
	// Required: never speak in the clear.
	Required bool
}

// option sets TLS of a connection: version 1.3 at least.
func (t TLS) option() (nats.Option, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS13}
	switch {
	case len(t.Pins) > 0:
		// Go's own check knows authorities and names; a pinned certificate has
		// neither. VerifyConnection runs on every handshake in its place.
		c.InsecureSkipVerify = true
		c.VerifyConnection = t.pinned
	case t.CAFile != "":
		text, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("certificate authority: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("certificate authority: no certificate in %s", t.CAFile)
		}
	}
	return func(o *nats.Options) error {
		o.TLSConfig, o.Secure = c, t.Required
		return nil
	}, nil
}

// ErrNotPinned: a server showed a certificate that is not the one agreed on.
var ErrNotPinned = errors.New("the log server's certificate is not the one that was agreed on")

// pinned accepts a server whose own certificate is pinned, or one that a pinned
// authority of the chain has signed for the server's name.
func (t TLS) pinned(s tls.ConnectionState) error {
	if len(s.PeerCertificates) == 0 {
		return ErrNotPinned
	}
	own := s.PeerCertificates[0]
	if slices.Contains(t.Pins, Fingerprint(own.Raw)) {
		return nil
	}
	roots, between := x509.NewCertPool(), x509.NewCertPool()
	found := false
	for _, c := range s.PeerCertificates[1:] {
		if slices.Contains(t.Pins, Fingerprint(c.Raw)) {
			roots.AddCert(c)
			found = true
		} else {
			between.AddCert(c)
		}
	}
	if !found {
		return fmt.Errorf("%w: it has the fingerprint %s", ErrNotPinned, Fingerprint(own.Raw))
	}
	if _, err := own.Verify(x509.VerifyOptions{Roots: roots, Intermediates: between, DNSName: s.ServerName}); err != nil {
		return fmt.Errorf("%w: %w", ErrNotPinned, err)
	}
	return nil
}

// Fingerprint of a certificate in DER: SHA-256 in hex, as "openssl x509
// -fingerprint -sha256" prints it, without colons.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	return hex.EncodeToString(sum[:])
}

// Fingerprints of the certificates in a PEM file, in its order.
func Fingerprints(file string) ([]string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	var out []string
	for {
		var b *pem.Block
		if b, text = pem.Decode(text); b == nil {
			break
		}
		if b.Type == "CERTIFICATE" {
			out = append(out, Fingerprint(b.Bytes))
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no certificate in %s", file)
	}
	return out, nil
}

// Remote says whether a server of the list of addresses is on another machine:
// anything but a loopback address.
func Remote(urls string) bool {
	for part := range strings.SplitSeq(urls, ",") {
		part = strings.TrimSpace(part)
		host := part
		if u, err := url.Parse(part); err == nil && u.Host != "" {
			host = u.Hostname()
		} else if h, _, err := net.SplitHostPort(part); err == nil {
			host = h
		}
		if ip := net.ParseIP(host); part != "" && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return true
		}
	}
	return false
}
