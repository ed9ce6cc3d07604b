// Package configs reads a configuration file into checked configurations of
// the rooms: the one place that knows the file's words and its units. What it
// gives is SI. Parse and the other functions are safe for concurrent use.
package configs

import (
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors"
)

// Config is one gateway's configuration, checked.
type Config struct {
	Site  string        // part of topics and labels
	Agent string        // name of this gateway
	Scan  time.Duration // how often every point is read
	Links []sensors.Link
	Units []Unit

	Broker  *Broker // nil: nothing is published
	History History
	HTTP    HTTP
	Access  Access
	Log     Log
	Clock   Clock

	ModbusServer *ModbusServer // nil: nothing is served so

	// Effective is every key of the file, and the default of every one that it
	// leaves out, as they are written there, by path. No secret is in it.
	Effective map[string]string
}

// Unit is one accumulator unit: what the rules need, where its points are
// read, and the system of units that people read it in.
type Unit struct {
	Rules   rules.Config
	Points  []sensors.Point // in the order of the file
	Columns []Column        // of a recorded table, beside Points
	Display quantity.System
}

// Broker is the MQTT broker.
type Broker struct {
	Address         string // "tls://host:port" or "tcp://host:port"
	User            string
	PasswordFile    string // at most one of these two is given
	PasswordEnv     string
	CAFile          string
	CertificateFile string // both or neither
	KeyFile         string
	ServerName      string // in the broker's certificate; empty: the host
	// AllowPlainText lets tcp:// go to another machine.
	AllowPlainText bool
	// SkipCertificateCheck turns off the check of who the broker is.
	SkipCertificateCheck bool
	LivePeriod           time.Duration
	// Commands says where commands by message get their right from. It holds
	// the file's word: "off", "secret", "access list".
	Commands string
}

// History is the durable record.
type History struct {
	Dir        string
	KeepEvents time.Duration
	KeepTrends time.Duration
}

// HTTP is where and how the page, the API and the metrics are served.
type HTTP struct {
	Listen          string
	CertificateFile string // both or neither
	KeyFile         string
	BehindProxy     bool // a proxy in front demands TLS and a log-in
}

// Access says where the secrets stand of who may see and who may act. Each
// role has a file, an environment variable, or none.
type Access struct {
	SeeFile, SeeEnv, ActFile, ActEnv string
	// ActWithoutSecret lets everybody on this machine act.
	ActWithoutSecret bool
}

// ModbusServer is where registers are served to others. Modbus has no access
// control, so Listen is an address of this machine unless the file says that
// the network is meant.
type ModbusServer struct {
	Listen string
	Units  []Served // in the order of the file, none twice
}

// Served is a unit and the Modbus unit identifier that it answers to.
type Served struct {
	Unit   string
	Device uint8
}

// Log is the program's own log. Level and Format hold the file's words.
type Log struct {
	Level  string // "debug", "info", "warn", "error"
	Format string // "text", "json"
}

// Clock says when the gateway's clock is trusted.
type Clock struct{ RequireSync bool }
