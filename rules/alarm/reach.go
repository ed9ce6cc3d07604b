package alarm

import "strokebank/sensors/signal"

// Reach is where an alarm must stand to follow from another one that explains
// it: what concerns different things explains nothing.
type Reach string

// The reaches.
const (
	SameSource Reach = "same source"  // the same machine, pair, point, or the unit as a whole
	WholeUnit  Reach = "whole unit"   // any source of the unit
	ReadOver   Reach = "read over"    // judged from a point that is read over this link
	JudgedFrom Reach = "judged from"  // judged from the point at this source
	OfPair     Reach = "of the pair"  // at a machine of the pair at this source
	OfPumps    Reach = "of the pumps" // at the pumps, as a pair or one of them
)

type pair struct{ from, to string }

// reaches belongs to the catalogue: for each pair of its Explains that does
// not speak of the same source, how far the explanation reaches.
var reaches = map[pair]Reach{
	// Without mains no machine can answer or start.
	{MainsLost, PairNoAnswer}:  WholeUnit,
	{MainsLost, FailedToStart}: WholeUnit,
	{MainsLost, SpuriousStop}:  WholeUnit,
	// Without oil at their suction no pump can deliver; the compressors can.
	{SumpLow, PairNoAnswer}: OfPumps,
	{SumpLow, NoDelivery}:   OfPumps,
	// A stuck alternation is what keeps one machine of the pair from its turns.
	{AlternationStuck, MissedTurns}: OfPair,
	{ShortCycling, TooManyStarts}:   OfPair,
	// A lost link takes the reserve's knowledge away only where pressure or
	// level come over it, and fails only the points that it carries.
	{LinkLost, ReserveUnknown}:    ReadOver,
	{LinkLost, TransmitterFailed}: ReadOver,
	// A measurement that stands still spoils what is concluded from it.
	{MeasurementStuck, Waterlogged}:   JudgedFrom,
	{MeasurementStuck, Overcharged}:   JudgedFrom,
	{MeasurementStuck, ReliefLifting}: JudgedFrom,
	{MeasurementStuck, OilLeak}:       JudgedFrom,
	{MeasurementStuck, OilReturns}:    JudgedFrom,
	{MeasurementStuck, OilLost}:       JudgedFrom,
	{MeasurementStuck, AirLeak}:       JudgedFrom,
	{MeasurementStuck, PointMoved}:    JudgedFrom,
}

// judged lists the points that an alarm about the whole unit is judged from.
var judged = map[string][]signal.ID{
	ReserveUnknown: {signal.Pressure, signal.Level},
	Waterlogged:    {signal.Pressure, signal.Level},
	Overcharged:    {signal.Pressure, signal.Level},
	ReliefLifting:  {signal.Pressure, signal.Level},
	AirLeak:        {signal.Pressure, signal.Level},
	OilLeak:        {signal.Level},
	OilReturns:     {signal.Level},
	OilLost:        {signal.Level},
}

// Inputs is the points that the alarm at a source is judged from, as far as
// its explanations ask for them.
func Inputs(name, source string) []signal.ID {
	switch {
	case judged[name] != nil:
		return judged[name]
	case source == "pumps":
		return []signal.ID{signal.Level}
	case source == "compressors":
		return []signal.ID{signal.Pressure}
	}
	return []signal.ID{signal.ID(source)}
}

// ReachOf says where an alarm named to must stand to be explained by the alarm
// named from; ok is false where it explains nothing of it.
func ReachOf(from Definition, to string) (r Reach, ok bool) {
	for _, name := range from.Explains {
		if name == to {
			if r, listed := reaches[pair{from.Name, to}]; listed {
				return r, true
			}
			return SameSource, true
		}
	}
	return "", false
}

// Ranks reports whether p is at least as urgent as other: an alarm never hides
// one that a site ranks above it.
func (p Priority) Ranks(other Priority) bool { return p.rank() >= other.rank() }

func (p Priority) rank() int {
	switch p {
	case High:
		return 2
	case Medium:
		return 1
	default:
		return 0
	}
}
