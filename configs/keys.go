package configs

import q "strokebank/configs/quantity"

var fileKeys = &table{name: "The file", doc: "One gateway, its links, and the units that it watches.", keys: []key{
	{name: "site", kind: aText, required: true, sample: "quillen-reach", doc: "Name of the site: part of topics and labels, so no spaces, `/`, `+` or `#`."},
	{name: "agent", kind: aText, required: true, sample: "gateway-1", doc: "Name of this gateway, as a topic of its own; not the name of a unit."},
	{name: "scan", kind: aQuantity, dim: q.Duration, def: "1 s", least: "100 ms", most: "60 s", doc: "How often every point is read."},
	{name: "links", kind: aMap, required: true, in: linkKeys, sample: "links with a name and an address each", doc: "The connections to the devices, by a name of your own."},
	{name: "units", kind: aMap, required: true, in: unitKeys, sample: "units with a name and their keys each", doc: "The accumulator units, by the site's name of each."},
	{name: "broker", kind: aBlock, in: brokerKeys, doc: "The MQTT broker; without it nothing is published."},
	{name: "history", kind: aBlock, in: historyKeys, doc: "Where the durable record stands and how long it is kept."},
	{name: "http", kind: aBlock, in: httpKeys, doc: "The page, its API and the metrics."},
	{name: "modbus_server", kind: aBlock, in: serverKeys, doc: "What is known, read over Modbus TCP by control rooms that know nothing else; without it nothing is served so."},
	{name: "access", kind: aBlock, in: accessKeys, doc: "Who may see and who may act: acknowledge, shelve, note. Without it everybody on this machine may see and nobody may act."},
	{name: "log", kind: aBlock, in: logKeys, doc: "The program's own log."},
	{name: "clock", kind: aBlock, in: clockKeys, doc: "When the gateway's clock is to be trusted."},
}}

var linkKeys = &table{name: "links.NAME", doc: "One connection to one or more devices. The program only reads.", keys: []key{
	{name: "address", kind: aText, required: true, sample: "tcp://192.168.10.5:502", doc: "Modbus TCP device or gateway, `tcp://host:port`, the port being 502 where none is given; a serial line on this machine, `rtu:///dev/ttyS1`; or one behind a converter that passes RTU frames on, `rtu+tcp://host:port`."},
	{name: "timeout", kind: aQuantity, dim: q.Duration, def: "300 ms", least: "10 ms", most: "10 s", doc: "Longest wait for one answer, on a serial line for its first character; shorter than the scan."},
	{name: "gap", kind: aCount, def: "8", sample: "8", doc: "Registers (or 16 bits each) that may be read needlessly to merge two reads, 0 to 120."},
	{name: "numbering", kind: aWord, words: []string{"from 0", "from 1"}, def: "from 0", doc: "Whether the site's lists count registers from 0, as the wire does, or from 1. Addresses in `points` are written as the lists have them."},
	{name: "baud", kind: aCount, def: "19200", sample: "19200", doc: "Serial line: bits a second, 300 to 921600. Of a line behind a converter: what the converter is set to; it is not set from here."},
	{name: "parity", kind: aWord, words: []string{"none", "even", "odd"}, def: "even", doc: "Serial line on this machine: the parity bit."},
	{name: "stop_bits", kind: aCount, sample: "1", doc: "Serial line on this machine: 1 or 2. Default: 1, and 2 without parity, so that a character has 11 bits."},
	{name: "worst_latency", kind: aQuantity, dim: q.Duration, def: "1 s", least: "10 ms", most: "60 s", doc: "Serial line: the longest that any device on it, with the converter in front, may take to begin an answer. A device that did not answer in time is left alone for this long, because its late answer could not be told from the next; the others are not. At least the timeout."},
}}

var brokerKeys = &table{name: "broker", doc: "The MQTT broker that gets events and live values.", keys: []key{
	{name: "address", kind: aText, required: true, sample: "tls://broker.example:8883", doc: "`tls://host:port`, or `tcp://host:port` for plain text, which off this machine also needs `allow_plain_text`."},
	{name: "user", kind: aText, sample: "strokebank", doc: "User name at the broker."},
	{name: "password_file", kind: aText, sample: "/etc/strokebank/broker-password", doc: "File whose first line is the password. A password never stands in this file."},
	{name: "password_env", kind: aText, sample: "STROKEBANK_BROKER_PASSWORD", doc: "Environment variable that holds the password, instead of a file."},
	{name: "ca_file", kind: aText, sample: "/etc/strokebank/ca.pem", doc: "Certificates that the broker's certificate is checked against. Default: those of the system."},
	{name: "certificate_file", kind: aText, sample: "/etc/strokebank/client.pem", doc: "Client certificate, with `key_file`."},
	{name: "key_file", kind: aText, sample: "/etc/strokebank/client.key", doc: "Key of the client certificate."},
	{name: "server_name", kind: aText, sample: "broker.example", doc: "Name in the broker's certificate, where it is not the host of `address`."},
	{name: "allow_plain_text", kind: aFlag, def: "false", doc: "Insecure: allow `tcp://` to another machine; everybody on the way can read and change what is sent."},
	{name: "skip_certificate_check", kind: aFlag, def: "false", doc: "Insecure: do not check who the broker is."},
	{name: "commands", kind: aWord, words: []string{"off", "secret", "access list"}, def: "off", doc: "Whether commands are taken from the broker: not at all; each with the secret of who may act in it; or from whomever the broker's own access list lets publish them."},
	{name: "live_period", kind: aQuantity, dim: q.Duration, def: "10 s", least: "1 s", most: "1 h", doc: "How often live values are published."},
}}

var historyKeys = &table{name: "history", doc: "The durable record.", keys: []key{
	{name: "dir", kind: aText, def: "/var/lib/strokebank", sample: "/var/lib/strokebank", doc: "Directory of the database; made where it does not exist. The service may write in `/var/lib/strokebank` alone: for another one `systemctl edit strokebank` adds `[Service]` and `ReadWritePaths=` with that directory, which must exist then and belong to the user `strokebank`."},
	{name: "keep_events", kind: aQuantity, dim: q.Duration, def: "3650 d", least: "30 d", most: "36500 d", doc: "How long events and runs are kept."},
	{name: "keep_trends", kind: aQuantity, dim: q.Duration, def: "3650 d", least: "1 d", most: "36500 d", doc: "How long trends are kept: a minute fine for 8 days, ten minutes for 60 days, then by the hour."},
}}

var httpKeys = &table{name: "http", doc: "The page, its API and the metrics, on one address. Where seeing needs a secret the metrics do too: Prometheus sends it as `authorization: {credentials_file: FILE}` of the scrape configuration, beside `scheme: https` and `tls_config: {ca_file: FILE}`. A file for Prometheus holds the secret itself. It takes 256 connections at once, of one address 128 where it listens beyond loopback without a proxy; one too many takes the place of one that idles, else of one of the address that has most, or is closed.", keys: []key{
	{name: "listen", kind: aText, def: "127.0.0.1:8480", sample: "127.0.0.1:8480", doc: "`host:port` to listen on. Beyond loopback it wants TLS (`certificate_file` and `key_file`) and a secret for seeing (in `access`), or `behind_proxy`."},
	{name: "certificate_file", kind: aText, sample: "/etc/strokebank/page.pem", doc: "The page's certificate and those between it and its root, as PEM, with `key_file`: everything on this address is served over TLS then, 1.2 at least. Both files are read anew when they change."},
	{name: "key_file", kind: aText, sample: "/etc/strokebank/page.key", doc: "Key of the page's certificate, as PEM."},
	{name: "behind_proxy", kind: aFlag, def: "false", doc: "A proxy in front demands TLS, and a log-in where there is no secret for seeing here. Any `Host` is answered then, cookies are sent over TLS only, and of all that a proxy adds the last address in `X-Forwarded-For` is trusted, to tell guessers apart and for the log; let nobody but the proxy reach `listen`. Without it a request that a proxy has passed on is refused."},
}}

var accessKeys = &table{name: "access", doc: "Who may see and who may act. A secret is the first line of a file, or an environment variable, of 16 characters at least, as it is or as `strokebank secret` stores it, so that it cannot be read there; it never stands in this file. A log-in on the page ends after 12 h, after 30 min without the page open, when its secret is changed, and with the process; a reload does not end it. Nothing that anybody may do here reaches the plant.", keys: []key{
	{name: "see_secret_file", kind: aText, sample: "/etc/strokebank/see-secret", doc: "File with the secret of who may see the page, the API and the metrics. Default: whoever reaches them."},
	{name: "see_secret_env", kind: aText, sample: "STROKEBANK_SEE_SECRET", doc: "Environment variable that holds it, instead of a file."},
	{name: "act_secret_file", kind: aText, sample: "/etc/strokebank/act-secret", doc: "File with the secret of who may act. Default: nobody may."},
	{name: "act_secret_env", kind: aText, sample: "STROKEBANK_ACT_SECRET", doc: "Environment variable that holds it, instead of a file."},
	{name: "act_without_secret", kind: aFlag, def: "false", doc: "Insecure: everybody who reaches the page on this machine may act; only where no secret for it is given, the page listens on loopback and no proxy stands in front."},
}}

var serverKeys = &table{name: "modbus_server", doc: "A Modbus TCP server that answers function codes 1 to 4 and refuses every other. `strokebank registers FILE` prints what stands where. Nothing can be written through it. It takes 16 clients at once; one more takes the place of a silent one of the address that has most, or is closed.", keys: []key{
	{name: "listen", kind: aText, required: true, sample: "127.0.0.1:5020", doc: "`host:port` to listen on; port 502, which is registered for Modbus, needs a right that the service does not have."},
	{name: "allow_network", kind: aFlag, def: "false", doc: "Insecure: listen beyond this machine. Modbus has no access control and no encryption: everybody who reaches the address can read all of it, and everybody on the way can change what the control room sees."},
	{name: "units", kind: aMap, in: servedKeys, sample: "names of units, each with a device", doc: "Which units are served, by their names. Default: all, as devices 1, 2, 3 in the order of the file. A unit that is alone also answers as 0 and 255."},
}}

var servedKeys = &table{name: "modbus_server.units.NAME", doc: "One unit as a device of its own.", keys: []key{
	{name: "device", kind: aCount, required: true, sample: "1", doc: "Modbus unit identifier that it answers to, 1 to 247."},
}}

var logKeys = &table{name: "log", doc: "The program's own log, on standard error.", keys: []key{
	{name: "level", kind: aWord, words: []string{"debug", "info", "warn", "error"}, def: "info", doc: "The least severe line that is written."},
	{name: "format", kind: aWord, words: []string{"text", "json"}, def: "text", doc: "One line of text or one JSON object a line."},
}}

var clockKeys = &table{name: "clock", doc: "Trust in the gateway's clock.", keys: []key{
	{name: "require_sync", kind: aFlag, def: "false", doc: "Take the clock as right only once the system says that it is synchronised; until then readings are marked."},
}}
