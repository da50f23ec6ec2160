package opcua

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"time"
)

// ensureCertificate makes this agent's key and self-signed certificate where
// neither file exists. OPC UA wants the application's URI in it (OPC 10000-6,
// 6.2.2).
func (s *Settings) ensureCertificate() error {
	_, err1 := os.Stat(s.Certificate)
	_, err2 := os.Stat(s.Key)
	if err1 == nil && err2 == nil {
		return nil
	}
	if !errors.Is(err1, fs.ErrNotExist) || !errors.Is(err2, fs.ErrNotExist) {
		return errors.Join(err1, err2)
	}
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	host, err := os.Hostname()
	if err != nil {
		host = "agent"
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	now := time.Now()
	t := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "downweb agent on " + host, Organization: []string{"downweb"}},
		NotBefore: now.Add(-time.Hour), NotAfter: now.AddDate(10, 0, 0),
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		URIs:        []*url.URL{{Scheme: "urn", Opaque: "downweb:agent:" + url.PathEscape(host)}}, DNSNames: []string{host},
		BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	if err := writePEM(s.Key, "RSA PRIVATE KEY", x509.MarshalPKCS1PrivateKey(key), 0o600); err != nil {
		return err
	}
	return writePEM(s.Certificate, "CERTIFICATE", der, 0o644)
}

func writePEM(path, kind string, der []byte, mode fs.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	if err := pem.Encode(f, &pem.Block{Type: kind, Bytes: der}); err != nil {
		return errors.Join(err, f.Close())
	}
	return f.Close()
}
