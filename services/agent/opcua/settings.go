package opcua

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"
)

// Settings are the section "opcua" of a mapping.
type Settings struct {
	// Endpoint, opc.tcp://host:port/path.
	Endpoint string `yaml:"endpoint"`
	// Security policy: none, basic256sha256, aes128-sha256-rsaoaep or
	// aes256-sha256-rsapss. Left out: an error, as "none" is a decision.
	Security string `yaml:"security"`
	// Mode: sign or sign-and-encrypt (the default under a policy).
	Mode string `yaml:"mode"`
	// Certificate and Key of this agent, PEM files; made at the first start
	// where neither exists. The server's administrator has to trust the
	// certificate.
	Certificate string `yaml:"certificate"`
	Key         string `yaml:"key"`
	// ServerCertificate is the server's own, or that of its issuer (PEM or
	// DER): any other server is refused.
	ServerCertificate string `yaml:"server_certificate"`
	// User and the file of the password; empty: anonymous.
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password_file"`
	// Interval at which the server samples and tells changes; 0: 250 ms.
	Interval time.Duration `yaml:"interval"`
}

var policies = map[string]string{
	"none":                  ua.SecurityPolicyURINone,
	"basic256sha256":        ua.SecurityPolicyURIBasic256Sha256,
	"aes128-sha256-rsaoaep": ua.SecurityPolicyURIAes128Sha256RsaOaep,
	"aes256-sha256-rsapss":  ua.SecurityPolicyURIAes256Sha256RsaPss,
}

func (s *Settings) check() error {
	var errs []error
	bad := func(format string, v ...any) { errs = append(errs, fmt.Errorf("opcua: "+format, v...)) }
	if u, err := url.Parse(s.Endpoint); err != nil || u.Scheme != "opc.tcp" || u.Host == "" {
		bad("endpoint %q is not opc.tcp://host:port", s.Endpoint)
	}
	if _, ok := policies[s.Security]; !ok {
		bad("security %q is not none, basic256sha256, aes128-sha256-rsaoaep or aes256-sha256-rsapss", s.Security)
	}
	secure := s.Security != "none"
	if !slices.Contains([]string{"", "sign", "sign-and-encrypt"}, s.Mode) || !secure && s.Mode != "" {
		bad("mode %q is not sign or sign-and-encrypt under a policy", s.Mode)
	}
	if secure && (s.Certificate == "" || s.Key == "") {
		bad("certificate and key are needed under a security policy")
	}
	if secure && s.ServerCertificate == "" {
		bad("server_certificate is needed under a security policy: whom to trust")
	}
	if !secure && (s.Certificate != "" || s.Key != "" || s.ServerCertificate != "") {
		bad("certificates without a security policy do nothing")
	}
	if (s.User == "") != (s.PasswordFile == "") {
		bad("user and password_file go together")
	}
	if s.User != "" && !secure {
		bad("a password is not sent without a security policy")
	}
	if s.Interval < 0 || s.Interval > 10*time.Second || s.Interval > 0 && s.Interval < 20*time.Millisecond {
		bad("interval %s is not 20ms to 10s", s.Interval)
	}
	return errors.Join(errs...)
}

func (s *Settings) mode() ua.MessageSecurityMode {
	switch {
	case s.Security == "none":
		return ua.MessageSecurityModeNone
	case s.Mode == "sign":
		return ua.MessageSecurityModeSign
	}
	return ua.MessageSecurityModeSignAndEncrypt
}

func (s *Settings) password() (string, error) {
	b, err := os.ReadFile(s.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("password_file: %w", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// trusted says whether a server's certificate is the one named, or issued by
// it and not out of date.
func (s *Settings) trusted(der []byte, now time.Time) error {
	b, err := os.ReadFile(s.ServerCertificate)
	if err != nil {
		return fmt.Errorf("server_certificate: %w", err)
	}
	if p, _ := pem.Decode(b); p != nil {
		b = p.Bytes
	}
	root, err := x509.ParseCertificate(b)
	if err != nil {
		return fmt.Errorf("server_certificate %s: %w", s.ServerCertificate, err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return fmt.Errorf("the server's certificate: %w", err)
	}
	if now.Before(cert.NotBefore) || now.After(cert.NotAfter) {
		return fmt.Errorf("the server's certificate is valid from %s to %s only", cert.NotBefore.Format(time.DateOnly), cert.NotAfter.Format(time.DateOnly))
	}
	if bytes.Equal(root.Raw, cert.Raw) {
		return nil
	}
	if !root.IsCA || cert.CheckSignatureFrom(root) != nil {
		return fmt.Errorf("the server's certificate (%s) is not the one in %s, nor issued by it", cert.Subject, s.ServerCertificate)
	}
	return nil
}
