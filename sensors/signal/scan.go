package signal

import (
	"strings"
	"time"
)

// ID names a point of a unit: "pressure", "pump1.running".
type ID string

// The points of a unit that stand alone. Pressures of points are gauge
// pressures; pressure and level are required, the rest optional.
const (
	Pressure            ID = "pressure"             // Pa gauge, tank
	Level               ID = "level"                // m above the transmitter's zero, or Pa across a differential-pressure cell
	SumpLevel           ID = "sump_level"           // m
	OilTemperature      ID = "oil_temperature"      // K
	WallTemperature     ID = "wall_temperature"     // K, tank wall, or the ambient air beside it
	AtmosphericPressure ID = "atmospheric_pressure" // Pa absolute
	FilterDifferential  ID = "filter_differential"  // Pa
	Mains               ID = "mains"                // Boolean, on while mains is present
	LowLevelSwitch      ID = "low_level_switch"     // Boolean, on while tripped
	LowPressureSwitch   ID = "low_pressure_switch"  // Boolean, on while tripped
)

// The signals of a machine; Of joins them with the machine's position. Only
// Running is required.
const (
	Running           = "running"            // Boolean, auxiliary contact
	Called            = "called"             // Boolean, the panel asks for the machine
	Overload          = "overload"           // Boolean, on while tripped
	Automatic         = "automatic"          // Boolean, selector in automatic
	Hand              = "hand"               // Boolean, selector in hand
	StartCounter      = "start_counter"      // Count
	HourMeter         = "hour_meter"         // s
	DischargePressure = "discharge_pressure" // Pa gauge
	MotorCurrent      = "motor_current"      // A
)

// The limit switches of a valve; OfValve joins them with the valve's tag.
const (
	Open   = "open"   // Boolean, on at the open end
	Closed = "closed" // Boolean, on at the closed end
)

// Of is the point of a machine: Of("pump1", Running) is "pump1.running".
func Of(position, name string) ID { return ID(position + "." + name) }

// OfValve is the point of a valve: "valve.XV-3.closed".
func OfValve(tag, name string) ID { return ID("valve." + tag + "." + name) }

// OfLink is the state of a link, on while its last exchange succeeded:
// "link.panel". The sensors add it to every unit that uses the link.
func OfLink(name string) ID { return ID(linkPrefix + name) }

// The agent's own state, which comes with the scans of its first unit. All
// are Boolean and on while all is well.
const (
	AgentHistory ID = "agent.history" // the disk takes what is recorded
	AgentRoom    ID = "agent.room"    // and has room for all that shall be kept
	AgentClock   ID = "agent.clock"   // the wall clock is trusted
)

// Point is what is fixed about a reading: its name, its unit and its link.
type Point struct {
	ID   ID
	Unit Unit
	Link string // the name of the link that it is read over; empty where there is none
}

// Scan is all readings of one unit at one moment. Readings stands in the
// order of the unit's points, which both sides were built with.
type Scan struct {
	Number       uint64        // counts from 1 since the process started
	Time         time.Time     // wall clock at assembly, UTC
	Elapsed      time.Duration // monotonic, since the process started
	ClockTrusted bool          // whether Time is known to be right
	Readings     []Reading     // one per point; owned by the receiver
}

// linkPrefix marks the points that OfLink names.
const linkPrefix = "link."

// IsLink reports whether a point is the state of a link.
func (id ID) IsLink() bool { return strings.HasPrefix(string(id), linkPrefix) }
