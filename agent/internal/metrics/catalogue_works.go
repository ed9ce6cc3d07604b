package metrics

// What the machines achieve, and what goes in and out where nothing should.
var (
	outputRatio    = gauge("machine_output_ratio", "Corrected output of the last run that counted over its baseline, or over the rating while there is no baseline. Absent while unknown.", "machine")
	outputBand     = gauge("machine_output_uncertainty_ratio", "Standard uncertainty of that output, as a part of it. Absent while unknown.", "machine")
	outputSmoothed = gauge("machine_output_smoothed_ratio", "Output over its baseline, smoothed over the runs that counted. Absent while unknown.", "machine")
	outputLast     = gauge("machine_output_cubic_meters_per_second", "Corrected output of the last run that counted: oil, or free air. Absent while unknown.", "machine")
	outputBaseline = gauge("machine_baseline_cubic_meters_per_second", "Output that counts as normal. Absent while it is not learned.", "machine")
	outputLimit    = gauge("machine_output_limit_timestamp_seconds", "When the output is forecast to fall under its limit: expected, and the earliest and latest of its 95 % interval. Absent while there is no such forecast.", "machine", "figure")
	windowCovered  = gauge("machine_window_covered_seconds", "How much of the past a rolling window holds so far, watched or not.", "machine", "window")

	gasTemperature = gauge("gas_temperature_ratio", "Absolute temperature of the gas over that of the tank's wall. Absent while unknown.")
	gasTempBand    = gauge("gas_temperature_band_ratio", "Band of that ratio, plus or minus. Absent while unknown.")
	airRatio       = gauge("air_ratio", "Air in the tank over that of a full charge. Absent while unknown.")
	heatExchange   = gauge("heat_exchange_seconds", "Thermal time constant of the gas that is in use. Absent while neither configured nor learned.")
	oilDecline     = gauge("oil_decline_cubic_meters_per_second", "Oil that goes down while idle. Absent while unknown.")
	oilDeclineBand = gauge("oil_decline_band_cubic_meters_per_second", "Band of that decline, plus or minus: a leak of this size would show. Absent while unknown.")
	airDecline     = gauge("air_decline_ratio_per_second", "Air that is lost, as a part of a full charge. Absent while unknown.")
	airDeclineBand = gauge("air_decline_band_ratio_per_second", "Band of that loss, plus or minus: a leak of this size would show. Absent while unknown.")
	oilInventory   = gauge("oil_inventory_cubic_meters", "Oil in tank, sump and cylinders at 15 degrees Celsius. Absent while unknown.")
	oilLost        = gauge("oil_lost_cubic_meters_per_second", "How fast the oil inventory gets less. Absent while unknown.")
	oilLostBand    = gauge("oil_lost_band_cubic_meters_per_second", "Band of that loss, plus or minus. Absent while unknown.")
)

// What has been proven, and what is to be done. Times until something is due
// are below 0 once it is overdue, and absent while the clock is not trusted.
var (
	proofProven = gauge("proof_proven", "1 once the protective function has been seen to work, 0 before.", "function")
	proofAge    = gauge("proof_age_seconds", "Time since the protective function was last seen to work. Absent before the first time.", "function")
	proofDue    = gauge("proof_until_due_seconds", "Time until the protective function must have been seen to work again. Absent where it need not.", "function")

	serviceUsed   = gauge("service_used_ratio", "Part of the service interval that has passed, by the limit that is nearest; 1 and more: due.", "source", "task")
	serviceRun    = gauge("service_run_until_due_seconds", "Run time of the machine until the task is due. Absent where it does not count by run time.", "source", "task")
	serviceStarts = gauge("service_starts_until_due", "Starts of the machine until the task is due. Absent where it does not count by starts.", "source", "task")
	serviceDate   = gauge("service_calendar_until_due_seconds", "Time until the task is due by the calendar. Absent where it does not count by it.", "source", "task")
	serviceAhead  = gauge("service_forecast_until_due_seconds", "Time until the task will be due by any of its limits, at the present pace of the machine. Absent where it is due already or nothing tells yet.", "source", "task")
)
