// Package simulator is a simulated accumulator unit behind a real Modbus TCP
// server: tank, oil, air, pumps, compressors, valves, the relay panel with
// switches of its own, transmitters, weather, and faults that can be switched
// while it runs. It serves the demo and the tests; it shares no formula with
// the rules and knows nothing of them.
//
// Quantities are SI: Pa, m, m³, K, kg, s, A. Pressures are gauge unless named
// absolute. Figures of the trade and of materials are from memory or common
// practice, as marked beside them.
//
// A Plant is deterministic for a given Build, seed and sequence of calls.
// Each exported method of Plant and Server locks for itself, so that a server
// and a stepping test may share one plant.
package simulator
