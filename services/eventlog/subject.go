package eventlog

import "strings"

const (
	pressPrefix  = "dw.v1."
	streamPrefix = "in.dw.v1."
	markPrefix   = "dw.mark."
	storedSubj   = "dw.stored"
	registrySubj = "dw.registry"
)

// PressSubject is what an agent publishes frames of a press on.
func PressSubject(plant, press string) string { return pressPrefix + plant + "." + press }

// AgentSubjects are all that an agent of a press publishes on: frames,
// questions for the mark, questions for the sheet.
func AgentSubjects(plant, press string) []string {
	of := plant + "." + press
	return []string{pressPrefix + of, markPrefix + of, sheetPrefix + of}
}

// StreamSubject is what the stream stores them under: the server maps one to
// the other where the agents' account meets the core account.
func StreamSubject(plant, press string) string { return streamPrefix + plant + "." + press }

// ParseStreamSubject gives back plant and press; ok is false for any other
// subject.
func ParseStreamSubject(s string) (plant, press string, ok bool) {
	return parseSubject(streamPrefix, s)
}

func parseSubject(prefix, s string) (plant, press string, ok bool) {
	rest, ok := strings.CutPrefix(s, prefix)
	if !ok {
		return "", "", false
	}
	plant, press, ok = strings.Cut(rest, ".")
	if !ok || !isSlug(plant) || !isSlug(press) {
		return "", "", false
	}
	return plant, press, true
}

// PlantPress stands where an event names its press, for what is said of a whole
// plant. No press has this name.
const PlantPress = "plant"

// isSlug is the pattern [a-z0-9][a-z0-9-]{0,39} of plants and presses.
func isSlug(s string) bool {
	if len(s) == 0 || len(s) > 40 || s[0] == '-' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
