package registers

import (
	"slices"
	"sync/atomic"
)

// Stats counts from the start of the server.
type Stats struct {
	Clients     int64 // connected now
	Data        int64 // requests that got data
	Writes      int64 // refused: a function code that would write
	Others      int64 // refused: any other function code but 1 to 4
	Addresses   int64 // refused: an address that the map does not have
	Values      int64 // refused: a quantity over the limits, or a request of a wrong length
	Devices     int64 // refused: no unit answers to that device
	Broken      int64 // connections closed in the middle of a request, or for what is no Modbus
	FullRefused int64 // connections refused because as many as allowed were there
}

type counts struct {
	clients, data, writes, others, addresses, values, devices, broken, full atomic.Int64
}

// Stats is how the server is used; safe for concurrent use.
func (s *Server) Stats() Stats {
	c := &s.counts
	return Stats{c.clients.Load(), c.data.Load(), c.writes.Load(), c.others.Load(), c.addresses.Load(), c.values.Load(),
		c.devices.Load(), c.broken.Load(), c.full.Load()}
}

// answer counts an answer by its exception code.
func (c *counts) answer(function, code byte) {
	switch {
	case code == 0:
		c.data.Add(1)
	case code == illegalFunction && isWrite(function):
		c.writes.Add(1)
	case code == illegalFunction:
		c.others.Add(1)
	case code == illegalAddress:
		c.addresses.Add(1)
	case code == illegalValue:
		c.values.Add(1)
	default:
		c.devices.Add(1)
	}
}

// isWrite reports the function codes of V1.1b3 that write: single and multiple
// coils and registers, file record, mask, and read/write multiple.
func isWrite(function byte) bool {
	return slices.Contains([]byte{5, 6, 15, 16, 21, 22, 23}, function)
}
