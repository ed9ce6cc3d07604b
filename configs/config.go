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
	Log     Log
	Clock   Clock
}

// Unit is one accumulator unit: what the rules need, where its points are
// read, and the system of units that people read it in.
type Unit struct {
	Rules   rules.Config
	Points  []sensors.Point // in the order of the file
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
}

// History is the durable record.
type History struct {
	Dir        string
	KeepEvents time.Duration
	KeepTrends time.Duration
}

// HTTP is the address of the page, the API and the metrics.
type HTTP struct{ Listen string }

// Log is the program's own log. Level and Format hold the file's words.
type Log struct {
	Level  string // "debug", "info", "warn", "error"
	Format string // "text", "json"
}

// Clock says when the gateway's clock is trusted.
type Clock struct{ RequireSync bool }
