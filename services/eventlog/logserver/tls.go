package logserver

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"slices"
	"time"

	"github.com/downweb/downweb/services/eventlog"
)

// TLS of the server; the zero value: it speaks in the clear.
type TLS struct {
	// CertFile holds the certificate, and any that lead to its authority;
	// KeyFile its private key. Both PEM; they may be one file.
	CertFile, KeyFile string
	// CAFile holds the authority by which servers of a cluster know each other.
	// Empty: they all have the certificate of CertFile.
	CAFile string
	// AllowPlain: clients may also speak in the clear, and the cluster's
	// servers do among themselves.
	AllowPlain bool
}

// config for clients; nil: none.
func (t TLS) config() (*tls.Config, error) {
	if t.CertFile == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}}, nil
}

// routes is the config among servers, which check each other both ways.
func (t TLS) routes(clients *tls.Config) (*tls.Config, error) {
	c := clients.Clone()
	if t.CAFile != "" {
		text, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("certificate authority: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("no certificate in %s", t.CAFile)
		}
		c.RootCAs, c.ClientCAs, c.ClientAuth = pool, pool, tls.RequireAndVerifyClientCert
		return c, nil
	}
	own := eventlog.Fingerprint(c.Certificates[0].Certificate[0])
	c.ClientAuth = tls.RequireAnyClientCert
	c.InsecureSkipVerify = true // in its place: the very same certificate
	c.VerifyConnection = func(s tls.ConnectionState) error {
		if len(s.PeerCertificates) == 0 || eventlog.Fingerprint(s.PeerCertificates[0].Raw) != own {
			return errors.New("another server has another certificate: copy the keys, or give nats.tls.ca")
		}
		return nil
	}
	return c, nil
}

// lifetime of a certificate that is known by its fingerprint and not by its
// dates.
const lifetime = 10 * 365 * 24 * time.Hour

// SelfSigned makes a private key (ECDSA, P-256) and a certificate for it that
// names hosts and loopback, as one PEM text: certificate, then key.
func SelfSigned(hosts []string, now time.Time) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "downweb log server"},
		NotBefore: now.Add(-24 * time.Hour), NotAfter: now.Add(lifetime),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
	}
	for _, h := range append(slices.Clone(hosts), "localhost", "127.0.0.1", "::1") {
		if ip := net.ParseIP(h); ip != nil {
			if !ip.IsUnspecified() {
				c.IPAddresses = append(c.IPAddresses, ip)
			}
		} else if h != "" && !slices.Contains(c.DNSNames, h) {
			c.DNSNames = append(c.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})...), nil
}
