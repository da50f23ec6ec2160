//go:build linux || darwin

package chdb

import "testing"

func TestParseError(t *testing.T) {
	for text, want := range map[string]Error{
		"Code: 60. DB::Exception: Table a.b does not exist. (UNKNOWN_TABLE)":                                        {60, "Code: 60. DB::Exception: Table a.b does not exist. (UNKNOWN_TABLE)"},
		"Code: 241. DB::Exception: Code: 241. DB::Exception: Query memory limit exceeded (MEMORY_LIMIT_EXCEEDED)":   {241, "Code: 241. DB::Exception: Query memory limit exceeded (MEMORY_LIMIT_EXCEEDED)"},
		"Code: 395. DB::Exception: the text says Code: 1. DB::Exception: too (FUNCTION_THROW_IF_VALUE_IS_NON_ZERO)": {395, "Code: 395. DB::Exception: the text says Code: 1. DB::Exception: too (FUNCTION_THROW_IF_VALUE_IS_NON_ZERO)"},
		"send_insert does not support INSERT ... SELECT (use a normal query)":                                       {1002, "Code: 1002. DB::Exception: send_insert does not support INSERT ... SELECT (use a normal query) (UNKNOWN_EXCEPTION)"},
		"": {1002, "Code: 1002. DB::Exception:  (UNKNOWN_EXCEPTION)"},
	} {
		if got := parseError(text); *got != want {
			t.Errorf("%q:\n got %+v\nwant %+v", text, *got, want)
		}
	}
}

func TestQuote(t *testing.T) {
	for text, want := range map[string]string{"plain": "'plain'", "it's": `'it\'s'`, `\`: `'\\'`, `\'`: `'\\\''`, "": "''"} {
		if got := Quote(text, '\''); got != want {
			t.Errorf("%q is quoted as %s, want %s", text, got, want)
		}
	}
	if got := Quote("a`b", '`'); got != "`a\\`b`" {
		t.Errorf("identifier: %s", got)
	}
}
