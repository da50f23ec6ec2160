package page

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

//go:embed texts/*.yaml
var builtIn embed.FS

// texts by language code, then key.
type texts map[string]map[string]string

var languagePattern = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})?$`)

// loadTexts reads the languages that are built in and those of a directory,
// which may also replace texts of the former.
func loadTexts(dir string) (texts, error) {
	t := texts{}
	add := func(files fs.FS, pattern string) error {
		names, err := fs.Glob(files, pattern)
		if err != nil {
			return err
		}
		for _, name := range names {
			code := strings.TrimSuffix(filepath.Base(name), ".yaml")
			if !languagePattern.MatchString(code) {
				return fmt.Errorf("texts: %s: %q is no language code", name, code)
			}
			text, err := fs.ReadFile(files, name)
			if err != nil {
				return fmt.Errorf("texts: %w", err)
			}
			var own map[string]string
			if err := yaml.Unmarshal(text, &own); err != nil {
				return fmt.Errorf("texts: %s: %w", name, err)
			}
			if t[code] == nil {
				t[code] = map[string]string{}
			}
			for key, v := range own {
				if en := t["en"]; code != "en" && en[key] == "" {
					return fmt.Errorf("texts: %s: unknown key %q", name, key)
				}
				t[code][key] = v
			}
		}
		return nil
	}
	if err := add(builtIn, "texts/en.yaml"); err != nil { // first: the others are held against it
		return nil, err
	}
	if err := add(builtIn, "texts/*.yaml"); err != nil {
		return nil, err
	}
	if dir != "" {
		if _, err := os.Stat(dir); err == nil {
			if err := add(os.DirFS(dir), "*.yaml"); err != nil {
				return nil, err
			}
		} else if !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("texts: %w", err)
		}
	}
	for code, own := range t {
		for key, v := range t["en"] {
			if own[key] == "" {
				own[key] = v
			}
		}
		t[code] = own
	}
	return t, nil
}

func (t texts) languages() []string { return slices.Sorted(maps.Keys(t)) }

// words of one language.
type words struct {
	lang string
	own  map[string]string
}

const languageCookie = "dw-lang"

// words for a request: of its cookie, else of what its browser asks for, else
// English.
func (t texts) words(r *http.Request) words {
	if c, err := r.Cookie(languageCookie); err == nil && t[c.Value] != nil {
		return words{c.Value, t[c.Value]}
	}
	best, weight := "en", 0.0
	for part := range strings.SplitSeq(r.Header.Get("Accept-Language"), ",") {
		tag, q, given := strings.Cut(strings.TrimSpace(part), ";q=")
		w := 1.0
		if given {
			w, _ = strconv.ParseFloat(q, 64)
		}
		base, _, _ := strings.Cut(tag, "-")
		for _, code := range []string{tag, strings.ToLower(base)} {
			if t[code] != nil && w > weight {
				best, weight = code, w
			}
		}
	}
	return words{best, t[best]}
}

// of a key, with pairs of {name} and value filled in.
func (w words) of(key string, pairs ...string) string {
	text, ok := w.own[key]
	if !ok {
		return key
	}
	if len(pairs) == 0 {
		return text
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// registry is a text of the plant's own document in this language, else in
// English, else in any, else its slug.
func (w words) registry(m map[string]string, slug string) string {
	base, _, _ := strings.Cut(w.lang, "-")
	for _, code := range append([]string{w.lang, base, "en"}, slices.Sorted(maps.Keys(m))...) {
		if m[code] != "" {
			return m[code]
		}
	}
	return slug
}
