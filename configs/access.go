package configs

// access decodes who may see and who may act. listen is where the page is.
func (s section) access(listen string) Access {
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
	if !a.ActWithoutSecret {
		return a
	}
	if a.ActFile != "" || a.ActEnv != "" {
		s.report("act_without_secret", "a secret for it is given", "leave one of them out")
	}
	if a.SeeFile != "" || a.SeeEnv != "" {
		s.report("act_without_secret", "who may only see needs a secret here", "write a secret for who may act too")
	}
	if !loopback(listen) {
		s.report("act_without_secret", "everybody in the network could act at "+listen,
			"write a secret for who may act, or let http listen on 127.0.0.1")
	}
	return a
}
