package main

import (
	"cmp"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// signer is the site's own authority with a folder of certificates.
type signer struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	life time.Duration // of what is issued next, from now; 0: an hour
}

func newSigner(tb testing.TB, names ...string) *signer {
	tb.Helper()
	s := &signer{dir: tb.TempDir()}
	s.issue(tb, "ca")
	for _, name := range names {
		s.issue(tb, name)
	}
	return s
}

func (s *signer) file(name string) string { return filepath.Join(s.dir, name) }

// issue writes name.crt and name.key; the first one is the authority itself.
func (s *signer) issue(tb testing.TB, name string) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(min(0, s.life) - time.Hour), NotAfter: time.Now().Add(cmp.Or(s.life, time.Hour)), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	parent, by := s.cert, s.key
	if parent == nil {
		c.IsCA, c.BasicConstraintsValid, c.KeyUsage, c.ExtKeyUsage = true, true, x509.KeyUsageCertSign, nil
		parent, by = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), by)
	if err != nil {
		tb.Fatal(err)
	}
	if s.cert == nil {
		if s.cert, err = x509.ParseCertificate(der); err != nil {
			tb.Fatal(err)
		}
		s.key = key
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		tb.Fatal(err)
	}
	for suffix, block := range map[string]*pem.Block{".crt": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "PRIVATE KEY", Bytes: private}} {
		s.write(tb, name+suffix, string(pem.EncodeToMemory(block)))
	}
}

func (s *signer) write(tb testing.TB, name, text string) {
	tb.Helper()
	if err := os.WriteFile(s.file(name), []byte(text), 0o600); err != nil {
		tb.Fatal(err)
	}
}

// exampleBroker runs a real broker on an example of deploy/broker, included by
// Debian's own configuration as it is installed, with the folders of both and
// the port moved and the names of the whole-chain test put in.
func (s *signer) exampleBroker(tb testing.TB, name string) (int, *process) {
	tb.Helper()
	port := freePort(tb)
	stored, included := tb.TempDir(), tb.TempDir()
	read := func(path string, words ...string) string {
		text := readText(tb, path)
		for i := 0; i < len(words); i += 2 {
			if !strings.Contains(text, words[i]) {
				tb.Fatalf("%s does not say %q", path, words[i])
			}
		}
		return strings.NewReplacer(words...).Replace(text)
	}
	s.write(tb, "access.acl", read("../deploy/broker/access.acl", "AU-7", "AU-9", "gateway-1", "gateway-test"))
	put(tb, filepath.Join(included, name), read("../deploy/broker/"+name, "/etc/mosquitto/strokebank/", s.dir+"/",
		"listener 8883", fmt.Sprintf("listener %d 127.0.0.1", port)))
	s.write(tb, "mosquitto.conf", "user "+ownName(tb)+"\n"+read("/etc/mosquitto/mosquitto.conf", "/run/mosquitto/", stored+"/",
		"/var/lib/mosquitto/", stored+"/", "/var/log/mosquitto/", stored+"/", "/etc/mosquitto/conf.d", included))
	p := start(tb, tool(tb, "mosquitto", "mosquitto"), "-c", s.file("mosquitto.conf"))
	listening(tb, port)
	return port, p
}

// ownName keeps a broker that root starts from becoming a user who may not
// read the files of the test.
func ownName(tb testing.TB) string {
	tb.Helper()
	out, err := exec.Command("id", "-un").Output()
	if err != nil {
		tb.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}

// client is somebody at the broker, by certificate and by name.
func (s *signer) client(tb testing.TB, port int, name, password string) mqtt.Client {
	tb.Helper()
	pool := x509.NewCertPool()
	pool.AddCert(s.cert)
	pair, err := tls.LoadX509KeyPair(s.file(name+".crt"), s.file(name+".key"))
	if err != nil {
		tb.Fatal(err)
	}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + at(port)).SetClientID(name).SetProtocolVersion(4).
		SetUsername(name).SetPassword(password).SetTLSConfig(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{pair}}))
	done(tb, client.Connect())
	tb.Cleanup(func() { client.Disconnect(100) })
	return client
}

func done(tb testing.TB, token mqtt.Token) {
	tb.Helper()
	if !token.WaitTimeout(patience) || token.Error() != nil {
		tb.Fatal(token.Error())
	}
}

// listen is a subscriber as that client.
func listen(tb testing.TB, client mqtt.Client, filter string) *subscriber {
	tb.Helper()
	s := &subscriber{tb: tb}
	done(tb, client.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		h := heard{topic: m.Topic(), retained: m.Retained(), raw: m.Payload()}
		_ = json.Unmarshal(m.Payload(), &h.payload) // a stranger's message may be anything
		s.mu.Lock()
		defer s.mu.Unlock()
		s.list = append(s.list, h)
	}))
	return s
}

// The words that must never leave the program.
const (
	brokerPassword = "heron-under-the-weir-77"
	wrongPassword  = "kingfisher-by-the-lock-12"
)

// Each example configuration of a broker, loaded by a real one, with the whole
// agent behind it: what the roles may, and what they may not. And the secrets
// are nowhere that anything leaves the program.
func TestExamplesForTheBroker(t *testing.T) {
	for _, example := range []string{"certificates.conf", "passwords.conf"} {
		t.Run(example, func(t *testing.T) {
			s := newSigner(t, "broker", "gateway-test", "viewer", "control-room")
			for _, name := range []string{"gateway-test", "viewer", "control-room"} {
				args := []string{"-b", s.file("passwords"), name, brokerPassword}
				if name == "gateway-test" {
					args = append([]string{"-c"}, args...)
				}
				if out, err := exec.Command(tool(t, "mosquitto_passwd", "mosquitto"), args...).CombinedOutput(); err != nil {
					t.Fatalf("%v\n%s", err, out)
				}
			}
			port, _ := s.exampleBroker(t, example)
			s.write(t, "password", brokerPassword+"\n")
			s.write(t, "act", actSecret+"\n")
			viewer := s.client(t, port, "viewer", brokerPassword)
			hears := listen(t, viewer, "#")
			c := startChainWith(t, func(config string) string {
				login := fmt.Sprintf("ca_file: %s\n  commands: secret\n", s.file("ca.crt"))
				if example == "certificates.conf" {
					login += fmt.Sprintf("  certificate_file: %s\n  key_file: %s\n", s.file("gateway-test.crt"), s.file("gateway-test.key"))
				} else {
					login += fmt.Sprintf("  user: gateway-test\n  password_file: %s\n", s.file("password"))
				}
				before, after, found := strings.Cut(config, "  address: ")
				if !found {
					t.Fatal("no broker in the configuration")
				}
				_, after, _ = strings.Cut(after, "\n")
				config = strings.Replace(before+"  address: \"tls://"+at(port)+"\"\n  "+login+after, "format: json", "format: json, level: debug", 1)
				return config + "\naccess: {act_secret_file: " + s.file("act") + "}\n"
			})
			c.hears = hears
			hears.await("five cycles", 0, c.cycles(5))
			s.roles(t, c, port, viewer)
			readReference(t).holdAll(t, hears.all())
			s.longMessages(t, c, port, example)
			s.nowhere(t, c, hears)
		})
	}
}

// roles: the control room may command, the viewer may neither command nor
// speak for the agent, and nobody else hears a command.
func (s *signer) roles(t *testing.T, c *chain, port int, viewer mqtt.Client) {
	t.Helper()
	h, _ := c.hears.await("the status", 0, func(h heard) bool { return strings.HasSuffix(h.topic, "/status") && h.payload["nonce"] != nil })
	command := func(id string) string {
		return fmt.Sprintf(`{"id": %q, "nonce": %q, "secret": %q, "command": "note", "reason": "seen", "by": "A. Lindqvist"}`, id, h.payload["nonce"], actSecret)
	}
	done(t, viewer.Publish(c.unit+"command", 1, false, command("from the viewer")))
	done(t, viewer.Publish(c.unit+"event", 1, false, `{"id": "forged"}`))
	room := s.client(t, port, "control-room", brokerPassword)
	done(t, room.Publish(c.unit+"command", 1, false, command("from the control room")))
	c.hears.await("the answer to the control room", 0, func(h heard) bool {
		return h.topic == c.unit+"reply" && h.payload["id"] == "from the control room"
	})
	for _, h := range c.hears.all() {
		if strings.HasSuffix(h.topic, "/command") || h.payload["id"] == "forged" || h.payload["id"] == "from the viewer" {
			t.Errorf("the broker let %s pass: %s", h.topic, h.raw)
		}
	}
}

// longMessages: the broker drops what is longer than its example allows, and
// that is many times what the agent says itself.
func (s *signer) longMessages(t *testing.T, c *chain, port int, example string) {
	t.Helper()
	const margin = 10
	_, text, _ := strings.Cut(readText(t, "../deploy/broker/"+example), "\nmessage_size_limit ")
	text, _, _ = strings.Cut(text, "\n")
	limit, err := strconv.Atoi(text)
	if err != nil {
		t.Fatalf("%s: the limit of a message is %q", example, text)
	}
	longest := 0
	for _, h := range c.hears.all() {
		longest = max(longest, len(h.raw))
	}
	if longest == 0 || margin*longest > limit {
		t.Errorf("the agent's longest message has %d bytes, the broker's limit is %d", longest, limit)
	}
	begin := len(c.hears.all())
	gateway := s.client(t, port, "gateway-test", brokerPassword)
	for _, long := range []int{limit + 1, 100 * limit, limit} {
		done(t, gateway.Publish(c.unit+"alarm/unit/long", 1, false, make([]byte, long)))
	}
	c.hears.await("the longest that the broker takes", begin, func(h heard) bool { return strings.HasSuffix(h.topic, "/alarm/unit/long") })
	for _, h := range c.hears.all()[begin:] {
		if strings.HasSuffix(h.topic, "/alarm/unit/long") && len(h.raw) != limit {
			t.Errorf("the broker took a message of %d bytes", len(h.raw))
		}
	}
}

// nowhere looks for the secrets in all that leaves the program.
func (s *signer) nowhere(t *testing.T, c *chain, hears *subscriber) {
	t.Helper()
	// A refused login, with a wrong password that must not show either.
	s.write(t, "password", wrongPassword+"\n")
	c.agent.stop()
	again := start(t, c.strokebank, "run", c.config)
	listening(t, c.http)
	out := map[string]string{}
	for _, path := range []string{"/", "/metrics", "/api/v1/units", "/api/v1/events", "/no-such-page"} {
		text, err := fetch(fmt.Sprintf("http://%s%s", at(c.http), path))
		out[path] = text + fmt.Sprint(err)
	}
	if strings.Contains(readText(t, c.config), "password_file") {
		eventually(t, "the refused login is in the log", func() bool { return strings.Contains(again.log.String(), "broker cannot be reached") })
	}
	again.stop()
	for _, command := range []string{"check", "alarms"} {
		text, err := exec.Command(c.strokebank, command, c.config).CombinedOutput()
		out[command] = string(text) + fmt.Sprint(err)
	}
	out["log"], out["second log"] = c.agent.log.String(), again.log.String()
	for _, h := range hears.all() {
		out[h.topic] += string(h.raw)
	}
	files, err := filepath.Glob(filepath.Join(c.store, "*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no files of the history: %v", err)
	}
	for _, file := range files {
		out[file] = readText(t, file)
	}
	for where, text := range out {
		for _, secret := range []string{brokerPassword, wrongPassword, actSecret} {
			if strings.Contains(text, secret) {
				t.Errorf("a secret stands in %s", where)
			}
		}
	}
	if len(out["log"]) < 100 || len(out["/"]) < 100 || len(out["/metrics"]) < 1000 {
		t.Error("too little was looked through")
	}
}

func readText(tb testing.TB, path string) string {
	tb.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	return string(text)
}

// A password that somebody writes into the configuration itself does not come
// back in what is said about the mistake.
func TestPasswordInTheAddress(t *testing.T) {
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_HTTP": "1", "STORE": t.TempDir(),
		"tcp://127.0.0.1:PORT_MQTT": "tcp://gateway:" + brokerPassword + "@127.0.0.1:1883"})
	for _, command := range []string{"check", "run"} {
		out, err := exec.Command(path, command, config).CombinedOutput()
		if err == nil || strings.Contains(string(out), brokerPassword) || len(out) == 0 {
			t.Errorf("%s: %v\n%s", command, err, out)
		}
	}
}
