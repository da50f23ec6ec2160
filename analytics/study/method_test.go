package study

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"runtime"
	"strings"
	"testing"
)

// A study kept under an earlier method reruns to the same bytes: the hash is of
// the result as the release with that method gave it.
func TestEarlierMethodsGiveTheirBytes(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the bytes of a rerun are promised on amd64: other CPU families fuse products and sums, and interval ends differ in their last digits")
	}
	ds := fleet{seed: 4, plants: 2, presses: 8, days: 70, stations: 4, effect: 0.4}.make()
	spec := DefaultSpec()
	spec.Permutations = 499
	for method, want := range map[string]string{
		"default-3": "8161dee92f6d2a86c1a4fc1aeda1cf2f89777f8898db73c11cf8f96b4686f483",
		"default-1": "5d7f5c3c973583739f7d326fb7b3a9115f5adf63cfe2b30d92279e3cd7bae042",
		"default-2": "c1d86be5f840e69a87a8dda9ac39c2fed44c4830513a010c56426f7ae9a98bfa",
	} {
		r, err := RunMethod(ds, spec, method, nil)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		h := sha256.Sum256(text)
		if got := hex.EncodeToString(h[:]); got != want {
			t.Errorf("%s: result %s, want %s", method, got, want)
		}
	}
}

// A method of another release is refused by name, never run as this one.
func TestUnknownMethodIsRefused(t *testing.T) {
	if _, err := RunMethod(small(), DefaultSpec(), "default-9", nil); !errors.Is(err, ErrSpec) || !strings.Contains(err.Error(), "default-9") {
		t.Errorf("%v", err)
	}
}
