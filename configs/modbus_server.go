package configs

import (
	"fmt"
	"net"
	"slices"
	"strconv"
)

// modbusServer decodes where registers are served to others; nil where the
// file has no such block. units are those of the file.
func (s section) modbusServer(units []Unit) *ModbusServer {
	if !s.has("modbus_server") {
		s.get("modbus_server")
		return nil
	}
	b := s.block("modbus_server")
	m := &ModbusServer{Listen: b.text("listen")}
	network := b.flag("allow_network")
	_, port, err := net.SplitHostPort(m.Listen)
	n, perr := strconv.Atoi(port)
	switch {
	case m.Listen == "":
	case err != nil || perr != nil || n < 0 || n > 65535:
		b.report("listen", fmt.Sprintf("%q is not host:port", short(m.Listen)), "write 127.0.0.1:5020")
	case !network && !loopback(m.Listen):
		b.report("listen", m.Listen+" is reached from the network, and Modbus has no access control: everybody there could read all of it",
			"listen on 127.0.0.1, or write allow_network: true if that is acceptable here")
	}
	m.Units = b.served(units)
	return m
}

// ServedUnits is the units with the devices that they are served as, or would
// be if the file had the server.
func (c *Config) ServedUnits() []Served {
	if c.ModbusServer != nil {
		return c.ModbusServer.Units
	}
	return inOrder(c.Units)
}

// inOrder is devices 1, 2, 3 in the order of the file.
func inOrder(units []Unit) (out []Served) {
	for i, u := range units {
		out = append(out, Served{u.Rules.Unit, uint8(i + 1)})
	}
	return out
}

// served is the units with their devices: those that the file names, or all.
func (s section) served(units []Unit) (out []Served) {
	const most = 247 // the highest address of a device: Modbus over Serial Line V1.02, section 2.2
	if !s.has("units") {
		s.get("units")
		out = inOrder(units)
		if len(out) > most {
			s.report("units", fmt.Sprintf("%d units are more than there are devices", len(out)), "name those that are to be served")
			return nil
		}
		return out
	}
	names, values := s.named("units")
	for i, name := range names {
		if !slices.ContainsFunc(units, func(u Unit) bool { return u.Rules.Unit == name }) {
			values[i].problem(fmt.Sprintf("there is no unit %q", short(name)), "write the name of a unit of this file")
		}
		u := values[i].section(servedKeys)
		device, ok := u.integer("device", 1, most)
		if !ok {
			continue
		}
		served := Served{name, uint8(device)}
		if at := slices.IndexFunc(out, func(o Served) bool { return o.Device == served.Device }); at >= 0 {
			u.report("device", fmt.Sprintf("%d is already that of %s", device, out[at].Unit), "give each unit a device of its own")
		}
		out = append(out, served)
	}
	return out
}
