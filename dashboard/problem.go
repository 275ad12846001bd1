package dashboard

import (
	"encoding/json"
	"net/http"
)

// A problem is an error as the API tells it (RFC 9457), with one more member:
// what to do next.
type problemBody struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	Next   string `json:"next,omitempty"`
}

func problem(w http.ResponseWriter, status int, detail, next string) {
	problemWith(w, status, problemBody{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Next: next})
}

// problemWith answers a problem that has more members.
func problemWith(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		b = []byte(`{"type":"about:blank","title":"Internal Server Error","status":500,"detail":"the error could not be written"}`)
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(b)
}

func answer(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, "the answer could not be written: "+err.Error(), "report this with the program's version")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(append(b, '\n'))
}
