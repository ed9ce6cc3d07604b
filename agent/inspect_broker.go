package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"strokebank/agent/internal/uplink"
)

// broker goes to the broker as the agent would, beside it where it runs.
func (in *inspection) broker(ctx context.Context, r *runningAgent) {
	if in.cfg.Broker == nil {
		in.well("broker", "Nothing is published: the file names no broker.")
		return
	}
	c := brokerOf(in.cfg)
	c.Installation = "inspect" // it only has to be a name here
	p := uplink.Probe(ctx, c)
	in.shown = p.Certificate
	how := "without TLS"
	if p.Secure {
		how = "over TLS"
	}
	if p.Stage != uplink.Through {
		says, do := in.brokerTrouble(p)
		in.add(attention, "broker", says, do)
	} else {
		says := fmt.Sprintf("It is reached at %s %s, lets the agent in, and took a message of its", p.Address, how)
		if p.CannotTell {
			says += " (whether its access list then drops it cannot be seen: it speaks MQTT 3.1.1 alone)"
		}
		in.well("broker", "%s.", says)
	}
	if connected, told := r.figures["strokebank_uplink_connected"]; told {
		waiting := r.figures["strokebank_uplink_events_waiting"]
		switch {
		case connected != 1:
			in.add(attention, "broker, running agent", fmt.Sprintf("The running agent is not connected; %.0f events wait for it.", waiting),
				"Nothing is lost. If the broker is well here, look at the agent's log: another agent may have its identifier.")
		default:
			in.well("broker, running agent", "The running agent is connected, and %.0f events wait to be acknowledged.", waiting)
		}
	}
}

// brokerTrouble is what stands in the way and what to do about it.
func (in *inspection) brokerTrouble(p uplink.Probed) (says, do string) {
	cause := strings.ReplaceAll(p.Err.Error(), "\n", "; ")
	switch p.Stage {
	case uplink.NotReady:
		do = "Correct the section broker, or the files that it names."
		if errors.Is(p.Err, fs.ErrPermission) {
			do = "Run inspect as the service's user, and let that user alone read the file."
		}
		return fmt.Sprintf("What the file says of it cannot be used: %s.", cause), do
	case uplink.NotReached:
		return fmt.Sprintf("It is not reached: %s.", cause),
			"See that the broker runs, that broker.address is right, and that no firewall stands between; meanwhile events wait in the store."
	case uplink.NotSecured:
		return fmt.Sprintf("It is reached at %s, but TLS fails: %s.", p.Address, cause), tlsRemedy(p.Err)
	case uplink.NotLetIn:
		return fmt.Sprintf("It is reached at %s, but does not let the agent in: %s.", p.Address, cause),
			"Compare user and password, or the client certificate and the authority that the broker trusts, with the broker's own files and log."
	}
	if errors.Is(p.Err, uplink.ErrForbidden) {
		return fmt.Sprintf("It lets the agent in, but forbids it to publish on %s.", uplink.ProbeTopic(in.cfg.Site, in.cfg.Agent)),
			"Give the agent's user its lines in the broker's access list, as deploy/broker/access.acl shows: what is forbidden is acknowledged and lost."
	}
	return fmt.Sprintf("It lets the agent in, but does not take a message: %s.", cause), "Look at the broker's log and its disk."
}

func tlsRemedy(err error) string {
	var invalid x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	var name x509.HostnameError
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "Renew the broker's certificate, if this machine's clock is right."
	case errors.As(err, &unknown):
		return "Name in broker.ca_file the authority that has signed the broker's certificate."
	case errors.As(err, &name):
		return "Write the name that the certificate has as broker.address or broker.server_name."
	}
	return "See that the broker speaks TLS on this port, and that certificate and key belong together."
}

// certificates says until when each certificate holds.
func (in *inspection) certificates() {
	files := []struct{ what, file, key string }{{"page", in.cfg.HTTP.CertificateFile, in.cfg.HTTP.KeyFile}}
	if b := in.cfg.Broker; b != nil {
		files = append(files, []struct{ what, file, key string }{{"broker's authority", b.CAFile, ""}, {"agent at the broker", b.CertificateFile, b.KeyFile}}...)
	}
	any := in.shown != nil
	for _, f := range files {
		if f.file == "" {
			continue
		}
		any = true
		all, err := certificatesIn(f.file)
		if err != nil {
			in.add(attention, "certificate, "+f.what, fmt.Sprintf("It cannot be read: %v.", err), "Put a PEM file there that the service's user may read.")
			continue
		}
		first := all[0] // of a chain or a set the one that ends first
		for _, c := range all {
			if c.NotAfter.Before(first.NotAfter) {
				first = c
			}
		}
		in.certificate(f.what, f.file, first)
		if f.key != "" {
			in.pair(f.what, f.file, f.key)
		}
	}
	if in.shown != nil {
		in.certificate("broker", "", in.shown)
	}
	if !any {
		in.well("certificates", "No certificate is in use.")
	}
}

// taken says how a file's renewal comes to the agent: what systemd hands over
// is copied at a start.
func taken(files ...string) string {
	for _, file := range files {
		if strings.HasPrefix(file, credentials) {
			return "systemd hands it to the agent anew at systemctl restart strokebank."
		}
	}
	return "the agent takes a new file by itself."
}

// certificate says of one that came from a file, or was shown by the broker,
// until when it holds.
func (in *inspection) certificate(what, file string, c *x509.Certificate) {
	what = "certificate, " + what
	left := c.NotAfter.Sub(in.Time)
	until := c.NotAfter.UTC().Format(time.DateOnly)
	renew := "Renew it; " + taken(file)
	if file == "" {
		renew = "Renew it at the broker."
	}
	switch {
	case left <= 0:
		in.add(attention, what, fmt.Sprintf("It ended on %s, %s.", until, ago(in.Time, c.NotAfter)), renew)
	case in.Time.Before(c.NotBefore):
		in.add(attention, what, fmt.Sprintf("It is not valid before %s.", c.NotBefore.UTC().Format(time.RFC3339)), "See that this machine's clock is right.")
	case left < renewAhead:
		in.add(attention, what, fmt.Sprintf("It ends on %s, in %d days.", until, int(left.Hours()/24)), renew)
	default:
		in.well(what, "It holds until %s, %d days.", until, int(left.Hours()/24))
	}
}

// pair says whether a certificate and its key belong together.
func (in *inspection) pair(what, file, key string) {
	what = "key, " + what
	switch _, err := tls.LoadX509KeyPair(file, key); {
	case errors.Is(err, fs.ErrPermission):
		in.add(notSeen, what, "This user may not read the key.", "Run inspect as the service's user.")
	case err != nil:
		in.add(attention, what, fmt.Sprintf("%s cannot be used with the certificate: %v.", key, err), "Put the key there that the certificate was made for; "+taken(file, key))
	default:
		in.well(what, "It is the certificate's.")
	}
}

// certificatesIn are all certificates of a PEM file, one at least.
func certificatesIn(file string) (all []*x509.Certificate, err error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	for {
		var block *pem.Block
		if block, text = pem.Decode(text); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s: no PEM certificate in it", file)
	}
	return all, nil
}
