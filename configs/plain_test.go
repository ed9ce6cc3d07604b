package configs

import "testing"

// Only what the decoder reads strictly is plain: a text by the same name
// anywhere, or a key of another version, is not.
func TestPlain(t *testing.T) {
	for path, want := range map[string]bool{
		"scan": true, "units.AU-7.tank.diameter": true, "broker.commands": true, "access.act_without_secret": true,
		"units.AU-7.pumps.pump1.installed": true, "units.AU-7.points.pressure.span": true, "units.AU-7.service.oil.every": true,
		"site": false, "broker.user": false, "broker.password_file": false, "units.AU-7.alarms.mains_lost.note": false,
		"units.AU-7.service.oil.title": false, "units.AU-7.pumps.pump1.serial": false, "units.AU-7.points.pressure.unit": false,
		"broker.password": false, "units.AU-7": false, "": false,
	} {
		if Plain(path) != want {
			t.Errorf("%q: %t", path, !want)
		}
	}
}
