package api

import (
	"slices"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// firstCaution stands before all others wherever cleaning work is listed.
const firstCaution = "Cleaning a press can hurt people. This list only says what the plan asks for: how it is done is for the maker's manual, the site's lock-out procedure and local code, and only for people trained for it. Where they differ from this list, they hold."

const isolateCaution = "Some of these tasks need the press isolated: locked out and proven dead by the site's own procedure before a hand goes in, and handed back by whoever applied the lock. Never on a moving web."

// hazardCautions warn of what the plan names; they do not replace the site's
// own assessment.
var hazardCautions = map[pb.Hazard]string{
	pb.Hazard_HAZARD_NIP:             "Nips and rollers draw in: keep cloths, fingers and sleeves away from anything that can turn, also by inching.",
	pb.Hazard_HAZARD_UV:              "UV lamps: light from a lamp hurts eyes and skin; off and locked before a guard is opened.",
	pb.Hazard_HAZARD_OZONE:           "Ozone near corona and lamps: let the extraction run on as the manual says before leaning in.",
	pb.Hazard_HAZARD_HIGH_VOLTAGE:    "High voltage at the treater and in the lamps' supplies: parts stay charged after switching off; discharge as the manual says.",
	pb.Hazard_HAZARD_SOLVENT:         "Solvents: follow the safety data sheet; gloves, extraction, no source of ignition, soaked cloths into the closed bin.",
	pb.Hazard_HAZARD_HOT_SURFACE:     "Hot surfaces: dryers, lamps and rollers stay hot for long; wait or use what the site prescribes.",
	pb.Hazard_HAZARD_BLADE:           "Blades: doctor blades and dies cut; cut-resistant gloves, and blades into their container.",
	pb.Hazard_HAZARD_SKIN_SENSITIZER: "Uncured ink can make skin allergic for good: the gloves that the data sheet names, no bare hands.",
	pb.Hazard_HAZARD_COMPRESSED_AIR:  "Compressed air: never at skin, and never to blow dust or solvent about.",
}

// cautions are what to read before any of the work is done: isolation first,
// then each hazard in the order of its number.
func cautions(hazards []uint8, isolate bool) []string {
	out := []string{firstCaution}
	if isolate {
		out = append(out, isolateCaution)
	}
	hazards = slices.Clone(hazards)
	slices.Sort(hazards)
	for _, h := range slices.Compact(hazards) {
		if text := hazardCautions[pb.Hazard(h)]; text != "" {
			out = append(out, text)
		}
	}
	return out
}
