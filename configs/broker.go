package configs

import "net"

// broker decodes the broker's block; nil where the file has none.
func (s section) broker() *Broker {
	if !s.has("broker") {
		s.get("broker")
		return nil
	}
	b := s.block("broker")
	out := &Broker{
		User:                 b.text("user"),
		PasswordFile:         b.text("password_file"),
		PasswordEnv:          b.text("password_env"),
		CAFile:               b.text("ca_file"),
		CertificateFile:      b.text("certificate_file"),
		KeyFile:              b.text("key_file"),
		ServerName:           b.text("server_name"),
		AllowPlainText:       b.flag("allow_plain_text"),
		SkipCertificateCheck: b.flag("skip_certificate_check"),
		LivePeriod:           seconds(b.quantity("live_period")),
		Commands:             b.text("commands"),
	}
	text := b.text("address")
	if text == "" {
		return out
	}
	scheme, host := b.brokerAddress(text)
	out.Address = scheme + "://" + host
	b.checkBroker(out, scheme, host)
	return out
}

// brokerAddress gives the address its port, as IANA has registered them for
// MQTT (1883) and MQTT over TLS (8883).
func (s section) brokerAddress(text string) (scheme, host string) {
	port := "8883"
	if len(text) > 4 && text[:4] == "tcp:" {
		port = "1883"
	}
	return s.address("address", text, port, "tcp", "tls")
}

// checkBroker reports what would send a secret or the data in the open, and
// halves of pairs.
func (s section) checkBroker(b *Broker, scheme, host string) {
	if b.PasswordFile != "" && b.PasswordEnv != "" {
		s.report("password_env", "a password file is given too", "keep one of password_file and password_env")
	}
	if b.User == "" && (b.PasswordFile != "" || b.PasswordEnv != "") {
		s.report("user", "is missing although a password is given", "write user: and the user's name")
	}
	if b.CertificateFile != "" && b.KeyFile == "" {
		s.report("certificate_file", "has no key", "add key_file, or leave both out")
	}
	if b.KeyFile != "" && b.CertificateFile == "" {
		s.report("key_file", "has no certificate", "add certificate_file, or leave both out")
	}
	if scheme != "tcp" {
		return
	}
	for _, name := range []string{"ca_file", "certificate_file", "key_file", "server_name", "skip_certificate_check"} {
		if s.has(name) {
			s.report(name, "has no meaning with tcp://, which is not encrypted", "write the address with tls://, or leave "+name+" out")
		}
	}
	if !b.AllowPlainText && !loopback(host) {
		s.report("address", "tcp:// to another machine is plain text: everybody on the way can read and change it",
			"write tls://, or allow_plain_text: true if that is acceptable here")
	}
}

func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}
