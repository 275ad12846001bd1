package dashboard

import (
	"bytes"
	"embed"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

// The pages are built by Vite into web/dist, which is not committed. The
// pattern also matches web/dist.html, the page that says how to build them, so
// that this package compiles on a machine without Node.
//
//go:embed web/dist*
var files embed.FS

// pages serves the built pages, or says how to build them.
func pages() http.Handler {
	built, err := fs.Sub(files, "web/dist")
	if err == nil {
		if index, err := fs.ReadFile(built, "index.html"); err == nil {
			return pageHandler(built, index)
		}
	}
	note, err := files.ReadFile("web/dist.html")
	if err != nil {
		note = []byte("page not built: run make web\n")
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/" {
			problem(w, http.StatusNotFound, r.URL.Path+" is not here", "open /")
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(http.StatusServiceUnavailable)
		w.Write(note)
	})
}

// pageHandler serves files of the build. The names under assets/ hold a hash of
// what is in them, so a browser may keep those for good and asks for the rest
// each time.
func pageHandler(built fs.FS, index []byte) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			problem(w, http.StatusMethodNotAllowed, r.Method+" on a page", "see /api/v1/openapi.json for what can be asked")
			return
		}
		name := strings.TrimPrefix(path.Clean(r.URL.Path), "/")
		w.Header().Set("Cache-Control", "no-cache")
		if name == "" || name == "index.html" {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			http.ServeContent(w, r, "index.html", time.Time{}, bytes.NewReader(index))
			return
		}
		body, err := fs.ReadFile(built, name)
		if err != nil {
			problem(w, http.StatusNotFound, r.URL.Path+" is not here", "open /")
			return
		}
		if strings.HasPrefix(name, "assets/") {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(body))
	})
}
