package dashboard

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
)

// worthGzip is the length in bytes from which compression saves a packet.
const worthGzip = 1400

// tagOf is a weak entity tag: the same for the plain and the compressed form.
func tagOf(body []byte) string {
	sum := sha256.Sum256(body)
	return `W/"` + hex.EncodeToString(sum[:12]) + `"`
}

// zipped is body compressed; a writer to memory cannot fail.
func zipped(body []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = z.Write(body)
	_ = z.Close()
	return out.Bytes()
}

// weight is the quality value of a coding in an Accept-Encoding header, and
// whether the header names it (RFC 9110, sections 12.4.2 and 12.5.3). One that
// cannot be read is 0: the plain form is always right.
func weight(header, coding string) (q float64, named bool) {
	for item := range strings.SplitSeq(header, ",") {
		name, rest, _ := strings.Cut(item, ";")
		if !strings.EqualFold(strings.TrimSpace(name), coding) {
			continue
		}
		rest = strings.ToLower(strings.TrimSpace(rest))
		if rest == "" {
			return 1, true
		}
		v, ok := strings.CutPrefix(rest, "q=")
		q, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
		if !ok || err != nil || !(q >= 0 && q <= 1) {
			return 0, true
		}
		return q, true
	}
	return 0, false
}

// takesGzip reports whether the reader would rather have the compressed form.
func takesGzip(header string) bool {
	zip, named := weight(header, "gzip")
	if !named {
		zip, _ = weight(header, "*")
	}
	plain, _ := weight(header, "identity") // not named it comes last
	return zip > 0 && zip >= plain
}

// known reports whether the reader already holds the form with this tag, by
// the weak comparison (RFC 9110, section 13.1.2).
func known(r *http.Request, tag string) bool {
	for held := range strings.SplitSeq(strings.Join(r.Header.Values("If-None-Match"), ","), ",") {
		held = strings.TrimSpace(held)
		if held == "*" || strings.TrimPrefix(held, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

// deliver writes body, compressed where the reader takes it, or 304 where it
// already has it. compressed may be nil: then it is made when needed.
func deliver(w http.ResponseWriter, r *http.Request, kind, tag string, body, compressed []byte) {
	head := w.Header()
	head.Set("Content-Type", kind)
	head.Set("ETag", tag)
	head.Set("Vary", "Accept-Encoding")
	if known(r, tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	if len(body) >= worthGzip && takesGzip(strings.Join(r.Header.Values("Accept-Encoding"), ",")) {
		if compressed == nil {
			compressed = zipped(body)
		}
		head.Set("Content-Encoding", "gzip")
		body = compressed
	}
	head.Set("Content-Length", strconv.Itoa(len(body)))
	_, _ = w.Write(body) // the reader is gone: nobody is left to tell
}

const jsonKind = "application/json; charset=utf-8"

// answer writes v as JSON with an entity tag.
func (h *handler) answer(w http.ResponseWriter, r *http.Request, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		h.Log.Error("answer cannot be written as JSON", "path", r.URL.Path, "error", err)
		refuse(w, http.StatusInternalServerError, "the answer cannot be written as JSON")
		return
	}
	deliver(w, r, jsonKind, tagOf(body), body, nil)
}

// refuse writes an error as JSON.
func refuse(w http.ResponseWriter, status int, why string) {
	reply(w, status, map[string]string{"error": why})
}

// reply writes a short answer.
func reply(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", jsonKind)
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // the reader is gone: nobody is left to tell
}
