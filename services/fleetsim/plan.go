package fleetsim

import (
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Stations.
const (
	corona     = "corona"
	webCleaner = "web-cleaner"
	staticBar  = "static-bar"
	uv1        = "uv-1"
	uv2        = "uv-2"
	anilox     = "anilox"
	heads      = "print-heads"
	camera     = "register-camera"
	nips       = "nip-rollers"
	die        = "die-station"
	filter     = "air-filter"
)

var stationNames = map[string]string{
	corona: "Corona treater", webCleaner: "Web cleaner", staticBar: "Static bar", uv1: "UV unit 1", uv2: "UV unit 2",
	anilox: "Anilox and chamber", heads: "Print heads", camera: "Register camera", nips: "Nip rollers",
	die: "Die station", filter: "Cabinet air filter",
}

// stationsOf lists a kind's stations in web order.
func stationsOf(kind string) []string {
	switch kind {
	case kindUV:
		return []string{corona, webCleaner, staticBar, anilox, uv1, uv2, camera, nips, die, filter}
	case kindLED:
		return []string{corona, webCleaner, staticBar, anilox, uv1, camera, nips, die, filter}
	}
	return []string{corona, webCleaner, staticBar, heads, uv1, camera, nips, die, filter}
}

// taskDef is a task of the plans. Standards and cadences: common practice, no
// source.
type taskDef struct {
	slug, station, text string
	cadence             pb.Cadence
	every               float64
	anchor              pb.Weekday
	minutes             float64
	isolate, safety     bool
	hazards             []pb.Hazard
}

var taskDefs = []taskDef{
	{slug: "corona-wipe", station: corona, text: "Wipe electrodes and roll", cadence: pb.Cadence_CADENCE_STARTUP, minutes: 8, isolate: true, safety: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_HIGH_VOLTAGE, pb.Hazard_HAZARD_OZONE, pb.Hazard_HAZARD_NIP}},
	{slug: "web-cleaner-clean", station: webCleaner, text: "Change the sheet, wipe the contact roll", cadence: pb.Cadence_CADENCE_STARTUP, minutes: 5, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_NIP}},
	{slug: "camera-lens", station: camera, text: "Wipe lens and light", cadence: pb.Cadence_CADENCE_STARTUP, minutes: 3},
	{slug: "heads-purge", station: heads, text: "Purge, wipe, test the nozzles", cadence: pb.Cadence_CADENCE_STARTUP, minutes: 9,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_SKIN_SENSITIZER, pb.Hazard_HAZARD_NIP}},
	{slug: "anilox-wash", station: anilox, text: "Wash roll and chamber", cadence: pb.Cadence_CADENCE_JOB_CHANGE, minutes: 10, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_SKIN_SENSITIZER, pb.Hazard_HAZARD_BLADE, pb.Hazard_HAZARD_NIP}},
	{slug: "uv-1-clean", station: uv1, text: "Clean window and reflector when cold", cadence: pb.Cadence_CADENCE_SHUTDOWN, minutes: 10, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_UV, pb.Hazard_HAZARD_HOT_SURFACE, pb.Hazard_HAZARD_OZONE}},
	{slug: "uv-2-clean", station: uv2, text: "Clean window and reflector when cold", cadence: pb.Cadence_CADENCE_SHUTDOWN, minutes: 10, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_UV, pb.Hazard_HAZARD_HOT_SURFACE, pb.Hazard_HAZARD_OZONE}},
	{slug: "die-clean", station: die, text: "Remove adhesive, check the matrix guide", cadence: pb.Cadence_CADENCE_SHUTDOWN, minutes: 7, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_BLADE, pb.Hazard_HAZARD_NIP, pb.Hazard_HAZARD_SOLVENT}},
	{slug: "static-bar-pins", station: staticBar, text: "Brush the pins, let solvent dry before power", cadence: pb.Cadence_CADENCE_WEEKLY, anchor: pb.Weekday_WEEKDAY_FRI,
		minutes: 6, isolate: true, safety: true, hazards: []pb.Hazard{pb.Hazard_HAZARD_HIGH_VOLTAGE, pb.Hazard_HAZARD_SOLVENT}},
	{slug: "nip-wash", station: nips, text: "Wash the rollers, never at a turning nip", cadence: pb.Cadence_CADENCE_RUN_KM, every: 150, minutes: 9, isolate: true,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_NIP, pb.Hazard_HAZARD_SOLVENT}},
	{slug: "filter-change", station: filter, text: "Wash or change the filter", cadence: pb.Cadence_CADENCE_RUN_HOURS, every: 60, minutes: 6,
		hazards: []pb.Hazard{pb.Hazard_HAZARD_COMPRESSED_AIR}},
}

// defsOf lists a kind's tasks in working order.
func defsOf(kind string) []taskDef {
	has := map[string]bool{}
	for _, s := range stationsOf(kind) {
		has[s] = true
	}
	var out []taskDef
	for _, d := range taskDefs {
		if has[d.station] {
			out = append(out, d)
		}
	}
	return out
}

func tasksOf(kind string) []*pb.Task {
	var out []*pb.Task
	for _, d := range defsOf(kind) {
		out = append(out, &pb.Task{Slug: d.slug, Station: d.station, Text: d.text, StandardMinutes: d.minutes,
			Triggers: []*pb.Trigger{{Cadence: d.cadence, Every: d.every, AnchorDay: d.anchor}},
			Hazards:  d.hazards, Isolate: d.isolate, Safety: d.safety})
	}
	return out
}

// family is a product family of a kind.
type family struct {
	slug, substrate string
	rated           float64 // share of the press's rated speed
	waste           float64 // share of the kind's usual waste
}

var families = []family{
	{"paper-gloss", "paper", 1, 0.9}, {"paper-matt", "paper", 0.9, 1}, {"film-white", "film-white", 0.9, 1.05}, {"film-clear", "film-clear", 0.8, 1.2},
}

// kindDef is how presses of a kind behave. All values: common practice, no
// source.
type kindDef struct {
	waste              float64 // running waste, share of length
	setupLow, setupSpn float64 // make-ready, minutes: low and span
	setupM             float64 // make-ready waste, median m
	jobKm              float64 // job length, median km
	reelKm             float64
}

var kindDefs = map[string]kindDef{
	kindUV:     {0.0028, 18, 24, 90, 9, 5},
	kindLED:    {0.0028, 16, 22, 80, 8, 4.5},
	kindInkjet: {0.0040, 6, 9, 14, 2.6, 4},
}
