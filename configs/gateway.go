package configs

import (
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"strokebank/configs/quantity"
	"strokebank/sensors"
)

// gateway decodes the whole file.
func (v value) gateway() *Config {
	s := v.section(fileKeys)
	c := &Config{
		Site:  s.name("site"),
		Agent: s.name("agent"),
		Scan:  seconds(s.quantity("scan")),
	}
	c.Links = s.links(c.Scan)
	c.Units = s.units(c)
	c.Broker = s.broker()
	c.History = s.block("history").history()
	page := s.block("http")
	c.HTTP = page.http()
	c.Access = s.block("access").access(c.HTTP, page)
	c.ModbusServer = s.modbusServer(c.Units)
	log := s.block("log")
	c.Log = Log{Level: log.text("level"), Format: log.text("format")}
	c.Clock = Clock{RequireSync: s.block("clock").flag("require_sync")}
	return c
}

// block is a key's section; where the file does not have it, one without
// any values, so that its defaults hold.
func (s section) block(name string) section {
	v, k, ok := s.get(name)
	if !ok {
		return section{value: v, table: k.in}
	}
	return v.section(k.in)
}

// named are the entries of a map whose names are the site's own. One without
// entries is reported.
func (s section) named(name string) (names []string, values []value) {
	v, k, ok := s.get(name)
	if !ok {
		return nil, nil
	}
	before := len(v.d.problems)
	names, values = v.entries()
	if len(names) == 0 && len(v.d.problems) == before {
		v.problem("is empty", "write "+k.example())
	}
	return names, values
}

// name is a key's text that must do as a level of a topic.
func (s section) name(name string) string {
	text := s.text(name)
	if text != "" {
		s.values[name].checkName(text)
	}
	return text
}

// checkName reports what cannot be a level of an MQTT topic (3.1.1, section
// 4.7: no separator, no wildcard) or would need quotes in a label or a shell.
func (v value) checkName(name string) bool {
	good := func(r rune) bool {
		return unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_' || r == '.'
	}
	if strings.ContainsFunc(name, func(r rune) bool { return !good(r) }) || len(name) > 64 || strings.Trim(name, ".") == "" {
		v.problem(fmt.Sprintf("%q cannot be part of a topic", short(name)),
			"write letters, digits, hyphen, underscore and point only, at most 64 of them")
		return false
	}
	return true
}

func (s section) links(scan time.Duration) []sensors.Link {
	var links []sensors.Link
	names, values := s.named("links")
	for i, name := range names {
		values[i].checkName(name)
		l := values[i].section(linkKeys)
		link := sensors.Link{Name: name, Period: scan, Timeout: seconds(l.quantity("timeout"))}
		l.route(&link)
		link.OneBased = l.text("numbering") == "from 1"
		link.Gap, _ = l.integer("gap", 0, 120)
		if scan > 0 && link.Timeout >= scan {
			l.report("timeout", fmt.Sprintf("%v is not shorter than the scan of %v", link.Timeout, scan),
				"write a timeout under the scan, or a longer scan")
		}
		links = append(links, link)
	}
	return links
}

// address takes a URL apart; a wrong one is reported and gives "".
func (s section) address(name, text, port string, schemes ...string) (scheme, host string) {
	want := "write " + schemes[len(schemes)-1] + "://host:" + port
	u, err := url.Parse(text)
	// The parser's own words repeat the text, which may hold a password.
	if err != nil || u.Host == "" || u.Hostname() == "" {
		s.report(name, "not an address", want)
		return "", ""
	}
	if u.User != nil {
		s.report(name, "an address with a user or password in it", want+" and give these with keys of their own")
		return "", ""
	}
	known := false
	for _, known1 := range schemes {
		known = known || u.Scheme == known1
	}
	if !known || u.Path != "" || u.RawQuery != "" || u.Fragment != "" {
		s.report(name, fmt.Sprintf("%q is not of the form %s://host:port", short(text), strings.Join(schemes, ":// or ")), want)
		return "", ""
	}
	if u.Port() != "" {
		port = u.Port()
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		s.report(name, fmt.Sprintf("port %s does not exist", short(port)), "write a port from 1 to 65535")
		return "", ""
	}
	return u.Scheme, net.JoinHostPort(u.Hostname(), port)
}

func (s section) units(c *Config) []Unit {
	var units []Unit
	names, values := s.named("units")
	for i, name := range names {
		values[i].checkName(name)
		if name == c.Agent {
			values[i].problem("has the name of the agent, and so its topic", "give the unit or the agent another name")
		}
		u := values[i].section(unitKeys)
		unit := Unit{Display: quantity.Metric}
		if u.text("display") == "us" {
			unit.Display = quantity.US
		}
		unit.Rules = u.rules()
		unit.Rules.Site, unit.Rules.Unit, unit.Rules.ScanPeriod = c.Site, name, c.Scan
		unit.Points, unit.Columns = u.points(c.Links, unit.Rules)
		units = append(units, unit)
	}
	return units
}

func (s section) history() History {
	return History{
		Dir:        s.text("dir"),
		KeepEvents: seconds(s.quantity("keep_events")),
		KeepTrends: seconds(s.quantity("keep_trends")),
	}
}
