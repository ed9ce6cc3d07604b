package dashboard

import (
	"embed"
	"io/fs"
	"mime"
	"net/http"
	"path"
)

//go:embed assets
var embedded embed.FS

// asset is one file of the page with its compressed form and its tag.
type asset struct {
	path, kind, tag string
	plain, gzip     []byte
}

// loadAssets reads the embedded files. index.html becomes the page itself.
func loadAssets() []asset {
	entries, err := fs.ReadDir(embedded, "assets")
	if err != nil {
		panic(err) // the folder is part of the program
	}
	var out []asset
	for _, e := range entries {
		body, err := fs.ReadFile(embedded, path.Join("assets", e.Name()))
		if err != nil {
			panic(err)
		}
		a := asset{path: "/assets/" + e.Name(), kind: kindOf(e.Name()), tag: tagOf(body), plain: body, gzip: zipped(body)}
		if e.Name() == "index.html" {
			a.path = "/{$}"
		}
		out = append(out, a)
	}
	return out
}

// kindOf does not ask the machine's own table for the types that matter.
func kindOf(name string) string {
	switch path.Ext(name) {
	case ".html":
		return "text/html; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	}
	return mime.TypeByExtension(path.Ext(name))
}

func (a asset) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-cache") // kept, but asked for anew: the next release has others
	deliver(w, r, a.kind, a.tag, a.plain, a.gzip)
}
