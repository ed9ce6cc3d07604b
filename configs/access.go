package configs

import (
	"fmt"
	"net"
	"strconv"
)

// http decodes where and how the page is served.
func (s section) http() HTTP {
	h := HTTP{
		Listen: s.text("listen"), BehindProxy: s.flag("behind_proxy"),
		CertificateFile: s.text("certificate_file"), KeyFile: s.text("key_file"),
	}
	_, port, err := net.SplitHostPort(h.Listen)
	if n, perr := strconv.Atoi(port); h.Listen != "" && (err != nil || perr != nil || n < 0 || n > 65535) {
		s.report("listen", fmt.Sprintf("%q is not host:port", short(h.Listen)), "write 127.0.0.1:8480")
		h.Listen = ""
	}
	if h.CertificateFile != "" && h.KeyFile == "" {
		s.report("certificate_file", "has no key", "add key_file, or leave both out")
	}
	if h.KeyFile != "" && h.CertificateFile == "" {
		s.report("key_file", "has no certificate", "add certificate_file, or leave both out")
	}
	return h
}

// exposed reports whether others than this machine reach the page, and no
// proxy looks after them.
func (h HTTP) exposed() bool { return h.Listen != "" && !h.BehindProxy && !loopback(h.Listen) }

// access decodes who may see and who may act. page is how it is served, and
// at its section of the file.
func (s section) access(page HTTP, at section) Access {
	a := Access{
		SeeFile: s.text("see_secret_file"), SeeEnv: s.text("see_secret_env"),
		ActFile: s.text("act_secret_file"), ActEnv: s.text("act_secret_env"),
		ActWithoutSecret: s.flag("act_without_secret"),
	}
	if a.SeeFile != "" && a.SeeEnv != "" {
		s.report("see_secret_env", "a file for it is given too", "keep one of see_secret_file and see_secret_env")
	}
	if a.ActFile != "" && a.ActEnv != "" {
		s.report("act_secret_env", "a file for it is given too", "keep one of act_secret_file and act_secret_env")
	}
	at.checkExposed(page, a)
	if !a.ActWithoutSecret {
		return a
	}
	if a.ActFile != "" || a.ActEnv != "" {
		s.report("act_without_secret", "a secret for it is given", "leave one of them out")
	}
	if a.SeeFile != "" || a.SeeEnv != "" {
		s.report("act_without_secret", "who may only see needs a secret here", "write a secret for who may act too")
	}
	if page.BehindProxy {
		s.report("act_without_secret", "whoever the proxy lets through could act", "write a secret for who may act")
	}
	return a
}

// checkExposed reports a page that others than this machine would reach
// without TLS or without a log-in. It belongs to the section http.
func (s section) checkExposed(page HTTP, a Access) {
	if !page.exposed() {
		return
	}
	if page.CertificateFile == "" && page.KeyFile == "" {
		s.report("listen", page.Listen+" is reached from the network, and without TLS everybody on the way can read and change what is sent",
			"add certificate_file and key_file, or behind_proxy: true where a proxy does it, or listen on 127.0.0.1")
	}
	if a.SeeFile == "" && a.SeeEnv == "" {
		s.report("listen", page.Listen+" is reached from the network, and everybody there could see the page",
			"add see_secret_file under access, or behind_proxy: true where a proxy demands a log-in, or listen on 127.0.0.1")
	}
}
