package main

import (
	"bytes"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"strokebank/configs"
	"strokebank/configs/quantity"
)

// siUnits are the units that a plain number from a program is in.
var siUnits = map[quantity.Dimension]string{
	quantity.Pressure: "Pa", quantity.Length: "m", quantity.Volume: "m³",
	quantity.Temperature: "K", quantity.Flow: "m³/s", quantity.Duration: "s",
}

// supposes answers the page's and the API's suppositions from the running
// configuration, by the same rules as the command. It is safe for concurrent
// use: nothing of the configuration is changed.
type supposes struct{ units []configs.Unit }

// Suppose answers for one unit, with the price of each doubt. The names are
// those of the command's flags.
func (s supposes) Suppose(unit string, given url.Values) (answer []byte, said []string) {
	i := slices.IndexFunc(s.units, func(u configs.Unit) bool { return u.Rules.Unit == unit })
	if i < 0 {
		return nil, nil
	}
	var f faults
	w := wished(given, &f)
	values := w.read(&f)
	supposed := newSupposition(&s.units[i], w, values, &f)
	if f == nil {
		a, err := supposed.answer(true)
		var out bytes.Buffer
		if err == nil {
			err = a.json(&out)
		}
		if err == nil {
			return out.Bytes(), nil
		}
		f.add("%v", err)
	}
	for _, fault := range f { // flags are a matter of the command line
		said = append(said, strings.TrimPrefix(fault, "-"))
	}
	return nil, said
}

// wished is the command line that a query stands for.
func wished(given url.Values, f *faults) *wish {
	w := &wish{texts: map[string]*string{}}
	for _, q := range supposables {
		text := strings.TrimSpace(given.Get(q.flag))
		if _, err := strconv.ParseFloat(text, 64); err == nil {
			text += " " + siUnits[q.dimension]
		}
		w.texts[q.flag] = &text
	}
	once := map[string]*string{"required": &w.required, "tank-mounting": &w.mounting, "tank-heads": &w.heads}
	for _, name := range slices.Sorted(maps.Keys(given)) {
		all := slices.DeleteFunc(slices.Clone(given[name]), func(v string) bool { return strings.TrimSpace(v) == "" })
		_, isQuantity := w.texts[name]
		to, isWord := once[name]
		switch {
		case name == "add":
			w.add = all
		case name == "without":
			w.without = all
		case len(all) > 1:
			f.add("%s is given twice", name)
		case isWord && len(all) == 1:
			*to = strings.TrimSpace(all[0])
		case !isWord && !isQuantity:
			f.add("%.40q is nothing that can be supposed", name)
		}
	}
	return w
}
