package api

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"

	"google.golang.org/protobuf/proto"
)

const (
	defaultPage = 100
	maxPage     = 1000
)

func pageSize(n int32) int {
	if n <= 0 {
		return defaultPage
	}
	return min(int(n), maxPage)
}

// pageToken is what a client hands back to get the next page: the last key of
// its list, the insert number that the first page saw, and what was asked, so
// that a token is not used for another question.
type pageToken[K any] struct {
	Key  K      `json:"k"`
	Pos  uint64 `json:"p"`
	Asks string `json:"q"`
}

func (t pageToken[K]) String() string {
	b, err := json.Marshal(t)
	if err != nil {
		panic(err) // keys are plain structs
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// parseToken reads a page token. asks names the question; ok is false for the
// first page.
func parseToken[K any](text, asks string) (t pageToken[K], ok bool, err error) {
	if text == "" {
		return t, false, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(b, &t) != nil {
		return t, false, invalid("page_token", "is not one that an answer gave")
	}
	if t.Asks != asks {
		return t, false, invalid("page_token", "belongs to another question: scope, time and filters must stay the same from page to page")
	}
	return t, true, nil
}

// question names a request without its paging: two requests with one name ask
// the same.
func question(m proto.Message, clear func(proto.Message)) string {
	m = proto.Clone(m)
	clear(m)
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return "?"
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:8])
}
