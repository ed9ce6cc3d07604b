package configs

import q "strokebank/configs/quantity"

var sumpKeys = &table{name: "units.NAME.sump", doc: "The oil's surface in the sump. With it and the point `sump_level` an oil leak is told apart: back to the sump, or out of the system.", keys: []key{
	{name: "length", kind: aQuantity, dim: q.Length, above: "0 m", most: "20 m", sample: "1 m or 40 in", doc: "Inside length of a sump with four corners."},
	{name: "width", kind: aQuantity, dim: q.Length, above: "0 m", most: "20 m", sample: "600 mm or 24 in", doc: "Its inside width."},
	{name: "diameter", kind: aQuantity, dim: q.Length, above: "0 m", most: "20 m", sample: "800 mm or 32 in", doc: "Inside diameter of a round sump that stands, instead of `length` and `width`."},
}}

var leakKeys = &table{name: "units.NAME.leaks", doc: "The limits of the watch for leaks.", keys: []key{
	{name: "oil", kind: aQuantity, dim: q.Flow, def: "1.5 L/h", above: "0 L/h", sample: "1.5 L/h or 0.4 gal/h", doc: "Oil that may go down while nothing moves."},
	{name: "air", kind: aQuantity, dim: q.Ratio, def: "1 %", above: "0 %", most: "50 %", doc: "Part of the air that may be lost a day."},
	{name: "dissolved_air", kind: aQuantity, dim: q.Ratio, def: "9 %", above: "0 %", most: "50 %", doc: "Air that the oil takes up, by volume per bar; 9 % for mineral oil (from memory)."},
}}

var proofKeys = &table{name: "units.NAME.proof", doc: "Within which time each protective function must be seen to work again, in operation or in a test.", keys: []key{
	{name: "machine", kind: aQuantity, dim: q.Duration, def: "90 d", least: "1 h", most: "3650 d", doc: "A pump or compressor starts on demand and delivers."},
	{name: "standby", kind: aQuantity, dim: q.Duration, def: "365 d", least: "1 h", most: "3650 d", doc: "The standby takes over when the lead does not deliver."},
	{name: "lead", kind: aQuantity, dim: q.Duration, def: "180 d", least: "1 h", most: "3650 d", doc: "The lead changes."},
	{name: "lockout", kind: aQuantity, dim: q.Duration, def: "365 d", least: "1 h", most: "3650 d", doc: "The compressors wait for the oil level."},
	{name: "low", kind: aQuantity, dim: q.Duration, def: "365 d", least: "1 h", most: "3650 d", doc: "A low level, or a low pressure, is reported."},
	{name: "valve", kind: aQuantity, dim: q.Duration, def: "180 d", least: "1 h", most: "3650 d", doc: "A valve completes its stroke in its time, by its limit switches."},
	{name: "drawdown", kind: aQuantity, dim: q.Duration, def: "365 d", least: "1 h", most: "3650 d", doc: "The unit delivers what the reserve promised, in a draw that takes the pressure well down."},
}}
