package mqtt

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Broker is how to reach a broker: the part that both sections share.
type Broker struct {
	// Broker, mqtt://host:port or mqtts://host:port.
	Broker string `yaml:"broker"`
	// ClientID; empty: downweb- and random letters.
	ClientID string `yaml:"client_id"`
	// User and the file of the password; empty: anonymous.
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password_file"`
	// CA whose certificates a broker under TLS must show, PEM; empty: those the
	// system trusts. Certificate and Key of this client, where the broker asks.
	CA          string `yaml:"ca"`
	Certificate string `yaml:"certificate"`
	Key         string `yaml:"key"`
}

func (b *Broker) check() error {
	var errs []error
	bad := func(format string, v ...any) { errs = append(errs, fmt.Errorf("mqtt: "+format, v...)) }
	u, err := url.Parse(b.Broker)
	if err != nil || u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.Port() == "" {
		bad("broker %q is not mqtt://host:port or mqtts://host:port", b.Broker)
	}
	if (b.User == "") != (b.PasswordFile == "") {
		bad("user and password_file go together")
	}
	if (b.Certificate == "") != (b.Key == "") {
		bad("certificate and key go together")
	}
	if u != nil && u.Scheme == "mqtt" && (b.CA != "" || b.Certificate != "") {
		bad("certificates need mqtts://")
	}
	return errors.Join(errs...)
}

func (b *Broker) options() (*paho.ClientOptions, error) {
	o := paho.NewClientOptions()
	u := strings.Replace(strings.Replace(b.Broker, "mqtts://", "ssl://", 1), "mqtt://", "tcp://", 1)
	id := b.ClientID
	if id == "" {
		var r [6]byte
		if _, err := rand.Read(r[:]); err != nil {
			return nil, err
		}
		id = "downweb-" + hex.EncodeToString(r[:])
	}
	o.AddBroker(u).SetClientID(id).SetProtocolVersion(4).SetCleanSession(true).SetOrderMatters(true)
	// This package tries again by itself, so that each loss is told.
	o.SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(5 * time.Second).SetKeepAlive(5 * time.Second).SetPingTimeout(4 * time.Second)
	if b.User != "" {
		p, err := os.ReadFile(b.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("password_file: %w", err)
		}
		o.SetUsername(b.User).SetPassword(strings.TrimRight(string(p), "\r\n"))
	}
	if strings.HasPrefix(b.Broker, "mqtts://") {
		cfg := &tls.Config{MinVersion: tls.VersionTLS12}
		if b.CA != "" {
			pem, err := os.ReadFile(b.CA)
			if err != nil {
				return nil, fmt.Errorf("ca: %w", err)
			}
			cfg.RootCAs = x509.NewCertPool()
			if !cfg.RootCAs.AppendCertsFromPEM(pem) {
				return nil, fmt.Errorf("ca: no certificate in %s", b.CA)
			}
		}
		if b.Certificate != "" {
			c, err := tls.LoadX509KeyPair(b.Certificate, b.Key)
			if err != nil {
				return nil, fmt.Errorf("certificate: %w", err)
			}
			cfg.Certificates = []tls.Certificate{c}
		}
		o.SetTLSConfig(cfg)
	}
	return o, nil
}

// message as it came.
type message struct {
	topic    string
	payload  []byte
	retained bool
}

// session connects, subscribes, and hands every message to take, from one
// goroutine, until the connection is lost, take fails, or ctx ends (nil).
func (b *Broker) session(ctx context.Context, filters []string, take func(c paho.Client, m message) error) error {
	o, err := b.options()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	in := make(chan message, 1000)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { cancel(fmt.Errorf("connection lost: %w", err)) })
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		select {
		case in <- message{m.Topic(), m.Payload(), m.Retained()}:
		case <-ctx.Done():
		}
	})
	c := paho.NewClient(o)
	if err := wait(ctx, c.Connect()); err != nil {
		c.Disconnect(0)
		return fmt.Errorf("connect: %w", err)
	}
	defer c.Disconnect(250)
	want := map[string]byte{}
	for _, f := range filters {
		want[f] = 1
	}
	sub := c.SubscribeMultiple(want, nil)
	if err := wait(ctx, sub); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for f, code := range sub.(*paho.SubscribeToken).Result() {
		if code > 2 {
			return fmt.Errorf("subscribe: the broker refuses %q", f)
		}
	}
	for {
		select {
		case <-ctx.Done():
			if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
				return err
			}
			return nil
		case m := <-in:
			if err := take(c, m); err != nil {
				return err
			}
		}
	}
}

// wait for a token, at most 10 s.
func wait(ctx context.Context, t paho.Token) error {
	timer := time.NewTimer(10 * time.Second)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-timer.C:
		return errors.New("no answer")
	}
}
