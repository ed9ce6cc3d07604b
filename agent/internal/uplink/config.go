package uplink

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"time"
)

// Config says where the broker is and what this agent is called there.
// Secrets never stand in it, only the file or the environment variable that
// holds them.
type Config struct {
	Broker       string   // tcp://host:1883, or tls://host:8883; the port may be left out
	Site         string   // second level of every topic
	Agent        string   // third level of the agent's own topics
	Units        []string // third level of a unit's topics
	Installation string   // identifies this installation for ever; also the client identifier
	Version      string   // of the program

	User         string
	PasswordFile string // read at every connection, so that it can be renewed
	PasswordEnv  string // name of an environment variable, instead of a file

	CAFile     string // PEM; empty: the system's authorities
	CertFile   string // PEM, client certificate
	KeyFile    string // PEM, its key
	ServerName string // name in the broker's certificate, where it is not the host

	// AcceptAnyServerCertificate turns the check of the broker's certificate
	// off. It is logged at every connection.
	AcceptAnyServerCertificate bool
	// AllowPlainPassword lets the password go unencrypted to another machine.
	AllowPlainPassword bool

	// Commands says whether commands are taken, and where they get their right
	// from; empty: CommandsOff.
	Commands    string
	Commander   commander     // who carries them out
	Gate        gate          // who knows the secrets
	CommandWait time.Duration // for the answer to one; 0: 30 s

	LivePeriod    time.Duration // between live messages of a unit; 0: 10 s
	ReservePeriod time.Duration // between reserve messages that say nothing new; 0: 10 min
	KeepAlive     time.Duration // whole seconds; 0: 20 s
}

// address is the checked broker address.
type address struct {
	host   string // without port
	port   string
	secure bool
}

func (a address) String() string { return net.JoinHostPort(a.host, a.port) }

// loopback reports whether the address never leaves this machine.
func (a address) loopback() bool {
	ip := net.ParseIP(a.host)
	return a.host == "localhost" || ip != nil && ip.IsLoopback()
}

// parseAddress reads the broker's URL. Ports 1883 and 8883 are those that
// IANA has registered for MQTT and MQTT over TLS.
func parseAddress(text string) (address, error) {
	u, err := url.Parse(text)
	if err != nil {
		// The parser's own text repeats the URL, which may hold a password.
		return address{}, errors.New("broker: not an address such as tcp://host:1883 or tls://host:8883")
	}
	if u.User != nil {
		return address{}, errors.New("broker: the address carries a user or password: use user with a password file or environment variable")
	}
	a := address{host: u.Hostname(), port: u.Port()}
	defaultPort := "1883"
	switch u.Scheme {
	case "tcp", "mqtt":
	case "tls", "mqtts":
		a.secure, defaultPort = true, "8883"
	default:
		return address{}, fmt.Errorf("broker %q: the address must begin with tcp:// or tls://", text)
	}
	if a.host == "" || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" {
		return address{}, fmt.Errorf("broker %q: the address must be tcp://host:port or tls://host:port and no more", text)
	}
	if a.port == "" {
		a.port = defaultPort
	}
	return a, nil
}

// Check reports everything that would keep New from making an uplink of a
// configuration, but for its installation.
func Check(c Config) error {
	c.Installation = "none"
	_, err := c.check()
	return err
}

// check reports everything that is wrong, at once, and fills in the defaults.
func (c *Config) check() (address, error) {
	addr, err := parseAddress(c.Broker)
	errs := []error{err, checkName("site", c.Site), checkName("agent", c.Agent), checkName("installation", c.Installation)}
	for _, u := range c.Units {
		errs = append(errs, checkName("unit", u))
	}
	if err == nil {
		errs = append(errs, c.checkSecurity(addr))
	}
	if c.LivePeriod < 0 || c.ReservePeriod < 0 || c.KeepAlive < 0 || c.KeepAlive%time.Second != 0 {
		errs = append(errs, errors.New("periods must not be negative, and keep-alive must be whole seconds"))
	}
	errs = append(errs, c.checkCommands())
	setDefault(&c.CommandWait, 30*time.Second)
	setDefault(&c.LivePeriod, 10*time.Second)
	setDefault(&c.ReservePeriod, 10*time.Minute)
	setDefault(&c.KeepAlive, 20*time.Second)
	return addr, errors.Join(errs...)
}

func setDefault(d *time.Duration, value time.Duration) {
	if *d == 0 {
		*d = value
	}
}

func (c *Config) checkSecurity(addr address) error {
	var errs []error
	secret := c.PasswordFile != "" || c.PasswordEnv != ""
	if c.PasswordFile != "" && c.PasswordEnv != "" {
		errs = append(errs, errors.New("give a password file or a password environment variable, not both"))
	}
	if secret && c.User == "" {
		errs = append(errs, errors.New("a password is given without a user"))
	}
	if !addr.secure && (c.CAFile != "" || c.CertFile != "" || c.KeyFile != "" || c.ServerName != "" || c.AcceptAnyServerCertificate) {
		errs = append(errs, fmt.Errorf("broker %s: certificates are configured but tcp:// would not use them: write tls://", addr))
	}
	if !addr.secure && secret && !addr.loopback() && !c.AllowPlainPassword {
		errs = append(errs, fmt.Errorf("broker %s: the password would cross the network unencrypted: write tls://, or allow it with the named switch", addr))
	}
	if (c.CertFile == "") != (c.KeyFile == "") {
		errs = append(errs, errors.New("a client certificate needs both its certificate file and its key file"))
	}
	if len(errs) == 0 { // files are worth reading only once the rest is right
		_, err := c.password()
		errs = append(errs, err)
		if addr.secure {
			_, err := c.tlsConfig(addr)
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
