package machine

import (
	"slices"
	"strings"
)

// vocabularies are lists of machine states of open standards, name to number.
// The same word has another number in another list, so a mapping names its
// list.
var vocabularies = map[string]map[string]int64{
	// OPC 30060, enumeration of table 203.
	"opc-30060": numbered(0, "Stopped", "Resetting", "Idle", "Starting", "Execute", "Completing", "Complete", "Aborting",
		"Aborted", "Stopping", "Clearing", "Suspending", "Suspended", "Unsuspending", "Holding", "Held", "Unholding"),
	// ISA-TR88.00.02, 17 states; the order is OPC 30050's, the numbers 1 to 17
	// are from memory.
	"isa-tr88.00.02": numbered(1, "Clearing", "Stopped", "Starting", "Idle", "Suspended", "Execute", "Stopping", "Aborting",
		"Aborted", "Holding", "Held", "Unholding", "Suspending", "Unsuspending", "Resetting", "Completing", "Complete"),
	// OPC 40001-1 MachineryItemState; the numbers are from memory.
	"opc-40001-item-state": numbered(0, "NotAvailable", "OutOfService", "NotExecuting", "Executing"),
	// OPC 40001-1 MachineryOperationMode; the numbers are from memory.
	"opc-40001-operation-mode": numbered(0, "None", "Maintenance", "Setup", "Processing"),
	// CIP4 JDF/JMF DeviceStatus (JDFTypes.xsd): told as words; the numbers only
	// keep their order.
	"jdf-device-status": numbered(0, "Unknown", "Idle", "Down", "Setup", "Running", "Cleanup", "Stopped"),
	// CIP4 XJDF 2 DeviceStatus (xjdf.xsd): told as words; as above.
	"xjdf-device-status": numbered(0, "Cleanup", "Idle", "NonProductive", "Offline", "Production", "Setup", "Stopped"),
}

func numbered(from int64, names ...string) map[string]int64 {
	m := make(map[string]int64, len(names))
	for i, n := range names {
		m[fold(n)] = from + int64(i)
	}
	return m
}

// fold makes "Not Executing", "not_executing" and "NotExecuting" one word.
func fold(s string) string {
	return strings.ToLower(strings.NewReplacer(" ", "", "_", "", "-", "").Replace(strings.TrimSpace(s)))
}

func vocabularyNames() []string {
	var out []string
	for n := range vocabularies {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}
