package logserver

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/crypto/bcrypt"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// hashed is a password as the server is told it. bcrypt at its lowest cost: the
// passwords are random and lie in clear beside the server anyway; what is
// hashed is kept out of its memory and of its log. What bcrypt cannot take is
// left as it is.
func hashed(password string) string {
	h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		return password
	}
	return string(h)
}

// secrets are the passwords, hashed once: a hash that changes would cut off
// everybody when the users are loaded again.
type secrets struct{ core, press, route string }

func (c Config) secrets() secrets {
	s := secrets{core: hashed(c.CorePassword)}
	if c.PressPassword != "" {
		s.press = hashed(c.PressPassword)
	}
	if c.Cluster.Listen != "" {
		s.route = hashed(c.Cluster.Password)
	}
	return s
}

// text is the configuration of the server. Account CORE owns the streams, PRESS
// is for agents, ENROL for devices that have a token and no key yet.
func (c Config) text(s secrets, keys []presskeys.Entry, now time.Time) string {
	var b strings.Builder
	fmt.Fprintf(&b, `
max_payload: %d
write_deadline: "10s"
jetstream { store_dir: %s, sync_interval: always }
accounts {
  CORE {
    jetstream: enabled
    users: [ { user: core, password: %s } ]
    exports: [ { service: "in.dw.v1.*.*" }, { service: "dw.mark.*.*" }, { service: "dw.due.*.*" }, { service: "dw.enrol.*" } ]
  }
  PRESS {
    imports: [
      { service: { account: CORE, subject: "in.dw.v1.*.*" }, to: "dw.v1.$1.$2" }
      { service: { account: CORE, subject: "dw.mark.*.*" } }
      { service: { account: CORE, subject: "dw.due.*.*" } }
    ]
    users: [
`, eventlog.MaxPayload, quote(c.StoreDir), quote(s.core))
	if s.press != "" {
		fmt.Fprintf(&b, "      { user: press, password: %s, permissions: { publish: { allow: [\"dw.v1.*.*\", \"dw.mark.*.*\", \"dw.due.*.*\"] }, subscribe: { allow: [\"_INBOX.>\"] } } }\n", quote(s.press))
	}
	serves := map[string][]string{} // public key -> presses; one key may stand in several entries
	var order []string
	for _, e := range keys {
		if e.Key == "" || !e.Revoked.IsZero() {
			continue
		}
		if serves[e.Key] == nil {
			order = append(order, e.Key)
		}
		serves[e.Key] = append(serves[e.Key], e.Presses...)
	}
	for _, key := range order {
		presses := serves[key]
		slices.Sort(presses)
		var may []string
		for _, p := range slices.Compact(presses) {
			plant, press, _ := strings.Cut(p, "/")
			for _, subject := range eventlog.AgentSubjects(plant, press) {
				may = append(may, strconv.Quote(subject))
			}
		}
		fmt.Fprintf(&b, "      { nkey: %s, permissions: { publish: { allow: [%s] }, subscribe: { allow: [%q] } } }\n", key, strings.Join(may, ", "), eventlog.KeyInbox(key)+".>")
	}
	b.WriteString("    ]\n  }\n  ENROL {\n    imports: [ { service: { account: CORE, subject: \"dw.enrol.*\" } } ]\n    users: [\n")
	for _, e := range keys {
		if e.Asks(now) {
			fmt.Fprintf(&b, "      { user: %q, password: %s, permissions: { publish: { allow: [%q] }, subscribe: { allow: [%q] } } }\n",
				enrol.User(e.ID), quote(e.Secret), enrol.Subject(e.ID), enrol.Inbox(e.ID)+".>")
		}
	}
	b.WriteString("    ]\n  }\n}\n")
	return b.String()
}

// quote writes a string for the configuration, every byte escaped.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(s) {
		fmt.Fprintf(&b, `\x%02x`, s[i])
	}
	b.WriteByte('"')
	return b.String()
}
