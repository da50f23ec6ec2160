package study

import "regexp"

// forbidden are the words an observational text may not use: the one list, for
// every text that the program writes about a study, a method or an interval, in
// the report, on the command line, in the api and on pages. A trial may speak of
// its effect, and nothing else here either.
var forbidden = regexp.MustCompile(`(?i)\bcaus(e|es|ed|ing|al|ally)\b|\beffect of\b|\bdue to\b|\bbecause of\b|\bleads? to\b|\bresults? in\b|\bimpact|\bprevents?\b|\bsaves?\b|\bpays?\b|\bproves?\b|significan`)

// ForbiddenWords returns the words of text that claim more than an
// observational study can show; nil means the text may be printed.
func ForbiddenWords(text string) []string { return forbidden.FindAllString(text, -1) }
