package enrol

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
)

// Token lets one device enrol once.
type Token struct {
	// ID names the token in lists: 16 hex digits.
	ID string `json:"i"`
	// Secret shows that the device was given the token: 130 random bits.
	Secret string `json:"s"`
	// Server is the log's address, or several, separated by commas.
	Server string `json:"u"`
	// Pins are fingerprints of the server's certificate, and of its authority.
	Pins []string `json:"p,omitempty"`
	// Plain: the server speaks in the clear, also to other machines, because
	// its config says so.
	Plain bool `json:"c,omitempty"`
}

// NewSecret makes id and secret of a token.
func NewSecret() (id, secret string) {
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:]), rand.Text()
}

const tokenPrefix = "dwe1."

// ErrToken: a text is no token, or not the whole of one.
var ErrToken = errors.New("this is not a whole enrolment token: copy all of it, it begins with " + tokenPrefix)

var (
	idPattern     = regexp.MustCompile(`^[0-9a-f]{16}$`)
	secretPattern = regexp.MustCompile(`^[A-Z2-7]{26}$`)
	pinPattern    = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// String is the token as it is given to a device: one word.
func (t Token) String() string {
	text, err := json.Marshal(t)
	if err != nil {
		return "" // strings and a bool can always be written
	}
	sum := sha256.Sum256(text)
	return tokenPrefix + base64.RawURLEncoding.EncodeToString(append(text, sum[:4]...))
}

// ParseToken reads what String wrote, white space within it left aside.
func ParseToken(text string) (Token, error) {
	text, ok := strings.CutPrefix(strings.Join(strings.Fields(text), ""), tokenPrefix)
	if !ok || len(text) > 4096 {
		return Token{}, ErrToken
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) < 5 {
		return Token{}, ErrToken
	}
	body, end := b[:len(b)-4], b[len(b)-4:]
	if sum := sha256.Sum256(body); !bytes.Equal(sum[:4], end) {
		return Token{}, ErrToken
	}
	var t Token
	if err := json.Unmarshal(body, &t); err != nil {
		return Token{}, fmt.Errorf("%w: %w", ErrToken, err)
	}
	if !idPattern.MatchString(t.ID) || !secretPattern.MatchString(t.Secret) || t.Server == "" {
		return Token{}, ErrToken
	}
	for _, p := range t.Pins {
		if !pinPattern.MatchString(p) {
			return Token{}, ErrToken
		}
	}
	return t, nil
}
