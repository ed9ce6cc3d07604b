package main

import (
	"bytes"
	"fmt"
	"net"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// brokerConfig is a configuration of which only the way to the broker counts.
func brokerConfig(t *testing.T, port int, login string) string {
	t.Helper()
	return configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_HTTP": "1", "STORE": t.TempDir(),
		`address: "tcp://127.0.0.1:PORT_MQTT"`: "address: tls://" + at(port) + "\n" + login})
}

// passwords makes the broker's file of passwords.
func (s *signer) passwords(t *testing.T, names ...string) {
	t.Helper()
	for i, name := range names {
		args := []string{"-b", s.file("passwords"), name, brokerPassword}
		if i == 0 {
			args = append([]string{"-c"}, args...)
		}
		if out, err := exec.Command(tool(t, "mosquitto_passwd", "mosquitto"), args...).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
}

// What stands in the way to a real broker with TLS, passwords and an access
// list is told apart, with what to do, and no secret is said.
func TestInspectedBroker(t *testing.T) {
	s := newSigner(t, "broker", "gateway-test")
	s.passwords(t, "gateway-test", "viewer")
	s.write(t, "password", brokerPassword+"\n")
	s.write(t, "wrong", wrongPassword+"\n")
	other := newSigner(t)
	port, _ := s.exampleBroker(t, "passwords.conf")
	as := func(user, password string) string {
		return fmt.Sprintf("  ca_file: %s\n  user: %s\n  password_file: %s\n", s.file("ca.crt"), user, s.file(password))
	}
	for _, c := range []struct{ name, login, state, says, do string }{
		{"right", as("gateway-test", "password"), isWell, "over TLS, lets the agent in, and took a message", ""},
		{"a wrong password", as("gateway-test", "wrong"), attention, "does not let the agent in: ", "Compare user and password"},
		{"forbidden to publish", as("viewer", "password"), attention, "forbids it to publish on strokebank/quillen-reach/gateway-test/inspect", "access.acl"},
		{"another authority", strings.Replace(as("gateway-test", "password"), s.file("ca.crt"), other.file("ca.crt"), 1), attention, "TLS fails", "broker.ca_file"},
		{"another name", as("gateway-test", "password") + "  server_name: broker.example\n", attention, "TLS fails", "server_name"},
		{"no password file", as("gateway-test", "none"), attention, "cannot be used: password file", "section broker"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, found := look(t, brokerConfig(t, port, c.login))
			wants(t, found, "broker", c.state, c.says, c.do)
			if strings.Contains(got.out+got.err, brokerPassword) || strings.Contains(got.out+got.err, wrongPassword) {
				t.Error("a password is said")
			}
			if c.name == "right" {
				wants(t, found, "certificate, broker", attention, "in 0 days", "Renew")
				wants(t, found, "certificate, broker's authority", attention, "in 0 days", "Renew")
			}
		})
	}
	s.life = -time.Hour
	s.issue(t, "broker") // in the place of the right one
	port, _ = s.exampleBroker(t, "passwords.conf")
	_, found := look(t, brokerConfig(t, port, as("gateway-test", "password")))
	wants(t, found, "broker", attention, "TLS fails: tls: failed to verify certificate: x509: certificate has expired", "Renew the broker's certificate")
	wants(t, found, "certificate, broker", attention, "It ended on ", "Renew it at the broker")
}

// A broker that wants client certificates, and one without TLS at the port.
func TestInspectedBrokerWithCertificates(t *testing.T) {
	s := newSigner(t, "broker", "gateway-test")
	port, _ := s.exampleBroker(t, "certificates.conf")
	own := fmt.Sprintf("  ca_file: %s\n", s.file("ca.crt"))
	with := own + fmt.Sprintf("  certificate_file: %s\n  key_file: %s\n", s.file("gateway-test.crt"), s.file("gateway-test.key"))
	_, found := look(t, brokerConfig(t, port, with))
	wants(t, found, "broker", isWell, "took a message", "")
	wants(t, found, "certificate, agent at the broker", attention, "in 0 days", "Renew")
	wants(t, found, "key, agent at the broker", isWell, "certificate's", "")
	_, found = look(t, brokerConfig(t, port, own))
	wants(t, found, "broker", attention, "does not let the agent in", "client certificate")
	_, found = look(t, brokerConfig(t, broker(t), own))
	wants(t, found, "broker", attention, "TLS fails", "speaks TLS on this port")
}

// answering is a peer that gives fixed answers, one to each packet.
func answering(t *testing.T, answers ...[]byte) (port int) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for i := 0; ; {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			for buf := make([]byte, 1024); i < len(answers); i++ {
				if _, err := conn.Read(buf); err != nil {
					break
				}
				conn.Write(answers[i])
				if bytes.Equal(answers[i], []byte{0x20, 2, 0, 1}) { // it does not know this version: it closes
					i++
					break
				}
			}
			conn.Close()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port
}

// Brokers of MQTT 3.1.1 alone (its section 3.2.2.3: code 1 and closed), and
// what is no broker.
func TestInspectedStranger(t *testing.T) {
	for _, c := range []struct {
		name    string
		answers [][]byte
		state   string
		says    string
	}{
		{"3.1.1 alone", [][]byte{{0x20, 2, 0, 1}, {0x20, 2, 0, 0}, {0x40, 2, 0, 1}}, isWell, "cannot be seen: it speaks MQTT 3.1.1 alone"},
		{"3.1.1 alone and not authorised", [][]byte{{0x20, 2, 0, 1}, {0x20, 2, 0, 5}}, attention, "not authorised"},
		{"busy", [][]byte{{0x20, 3, 0, 0x89, 0}}, attention, "the broker is busy"},
		{"quota", [][]byte{{0x20, 3, 0, 0, 0}, {0x40, 4, 0, 1, 0x97, 0}}, attention, "does not take a message: refused with code 0x97"},
		{"a web server", [][]byte{[]byte("HTTP/1.1 400 Bad Request\r\nContent-Length: 40\r\n\r\n        and more than it says                 ")}, attention, "no MQTT broker"},
		{"closed at once", nil, attention, "closed without an answer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, found := look(t, configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_HTTP": "1", "STORE": t.TempDir(),
				"PORT_MQTT": strconv.Itoa(answering(t, c.answers...))}))
			wants(t, found, "broker", c.state, c.says, "")
		})
	}
}

// Until when certificates hold, and when to renew them.
func TestInspectedCertificates(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name  string
		life  time.Duration
		state string
		says  string
	}{
		{"long", 400 * day, isWell, "399 days"},
		{"just long enough", 30*day + time.Hour, isWell, "30 days"},
		{"soon", 30*day - time.Hour, attention, "in 29 days"},
		{"ended", -3 * day, attention, "3 days ago"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &signer{dir: t.TempDir(), life: 4000 * day}
			s.issue(t, "ca")
			s.life = c.life
			s.issue(t, "page")
			// The end of a chain counts, not its first certificate.
			s.write(t, "chain", readText(t, s.file("ca.crt"))+readText(t, s.file("page.crt")))
			in := &inspection{Time: time.Now()}
			all, err := certificatesIn(s.file("chain"))
			if err != nil || len(all) != 2 {
				t.Fatalf("%d certificates, %v", len(all), err)
			}
			config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": t.TempDir(),
				`http: {`: fmt.Sprintf("http: {certificate_file: %s, key_file: %s, ", s.file("chain"), s.file("page.key"))})
			if in.cfg, err = read(config); err != nil {
				t.Fatal(err)
			}
			in.certificates()
			if f := in.Findings[0]; f.What != "certificate, page" || f.State != c.state || !strings.Contains(f.Says, c.says) {
				t.Errorf("want %s, %q; got %+v", c.state, c.says, f)
			}
		})
	}
	in := &inspection{Time: time.Now()}
	s := newSigner(t, "page", "other")
	all, _ := certificatesIn(s.file("ca.crt"))
	in.Time = in.Time.Add(-3 * time.Hour)
	in.certificate("page", "", all[0])
	if f := in.Findings[0]; f.State != attention || !strings.Contains(f.Says, "not valid before") {
		t.Errorf("a certificate of tomorrow: %+v", f)
	}
	if _, err := certificatesIn(s.file("ca.key")); err == nil {
		t.Error("a key was taken for a certificate")
	}
	in.Time = time.Now()
	for file, do := range map[string]string{"/etc/strokebank/page.pem": "by itself", "/run/credentials/strokebank.service/strokebank.page": "systemctl restart strokebank"} {
		in.certificate("page", file, all[0])
		if f := in.Findings[len(in.Findings)-1]; !strings.Contains(f.Do, "Renew it; ") || !strings.Contains(f.Do, do) {
			t.Errorf("%s: %+v", file, f)
		}
		if got := taken("/etc/strokebank/page.pem", file); !strings.Contains(got, do) {
			t.Errorf("a pair with %s: %s", file, got)
		}
	}
	for _, c := range []struct{ name, key, state, says string }{
		{"its own", "page.key", isWell, "certificate's"},
		{"another's", "other.key", attention, s.file("other.key") + " cannot be used with the certificate: tls: private key does not match"},
		{"none", "none", attention, "no such file"},
	} {
		in := &inspection{}
		in.pair("page", s.file("page.crt"), s.file(c.key))
		if f := in.Findings[0]; f.What != "key, page" || f.State != c.state || !strings.Contains(f.Says, c.says) {
			t.Errorf("%s: want %s, %q; got %+v", c.name, c.state, c.says, f)
		}
	}
}
