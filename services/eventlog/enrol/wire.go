package enrol

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/nats-io/nkeys"
)

// Subject that a token's holder asks on, and User by which it connects.
func Subject(id string) string { return SubjectPrefix + id }

// User of the log server that a token stands for.
func User(id string) string { return "enrol-" + id }

// Inbox is the prefix of the inboxes that a token's holder may read.
func Inbox(id string) string { return "_INBOX_enrol_" + id }

// SubjectPrefix of all questions to enrol.
const SubjectPrefix = "dw.enrol."

// Request of a device: the public half of the key it has made.
type Request struct {
	Key    string `json:"key"`
	Device string `json:"device"`
	// Signature, by that key, of what is asked: who has only seen a public key
	// somewhere cannot enrol it.
	Signature []byte `json:"signature"`
}

// Reply to it.
type Reply struct {
	Presses []string `json:"presses,omitempty"`
	Error   string   `json:"error,omitempty"`
}

func signed(id, key, device string) []byte {
	b, _ := json.Marshal([]string{"downweb enrol 1", id, key, device}) // strings can always be written
	return b
}

// ReadRequest checks a request for the token id.
func ReadRequest(id string, data []byte) (Request, error) {
	var r Request
	if len(data) > 4096 {
		return r, errors.New("the request is too long")
	}
	if err := json.Unmarshal(data, &r); err != nil {
		return r, fmt.Errorf("request: %w", err)
	}
	if !nkeys.IsValidPublicUserKey(r.Key) || len(r.Device) > 100 {
		return r, errors.New("the request holds no public user key, or a device name of over 100 bytes")
	}
	kp, err := nkeys.FromPublicKey(r.Key)
	if err != nil {
		return r, fmt.Errorf("request: %w", err)
	}
	if err := kp.Verify(signed(id, r.Key, r.Device), r.Signature); err != nil {
		return r, fmt.Errorf("request: %w", err)
	}
	return r, nil
}
