// Package adapter picks the adapter that a mapping file asks for.
package adapter

import (
	"fmt"

	"github.com/downweb/downweb/services/agent/machine"
	"github.com/downweb/downweb/services/agent/modbus"
	"github.com/downweb/downweb/services/agent/mqtt"
	"github.com/downweb/downweb/services/agent/opcua"
)

// New adapter of a mapping; it does nothing until Run. An error names every
// wrong setting of the mapping's section and addresses.
func New(m *machine.Mapping) (machine.Adapter, error) {
	switch kind := m.Kind(); kind {
	case "opcua":
		return opcua.New(m)
	case "mqtt":
		return mqtt.NewPlain(m)
	case "sparkplug":
		return mqtt.NewSparkplug(m)
	case "modbus":
		return modbus.New(m)
	default:
		return nil, fmt.Errorf("mapping: no adapter for %q", kind)
	}
}
