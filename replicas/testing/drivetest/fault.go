package drivetest

import (
	"encoding/json"
	"io"
	"net/http"
	"time"
)

// Fault is one misbehaviour. It befalls requests of a method (and if File is set,
// of a file): after Skip of them, Count times (0 is once, less is for ever). What is
// zero does nothing.
type Fault struct {
	Method string // such as "drive.files.list"; "drive.files.get#media" for bytes; "" is any
	File   string
	Skip   int
	Count  int

	Wait time.Duration // before the answer
	Hook func()        // called before the answer: to change things in between
	Drop bool          // the connection breaks without an answer

	Status   int // an error is answered
	Reason   string
	Message  string
	Location string
	Header   http.Header
	HTML     string // the error's body instead of JSON
	Redirect string // the call is sent there

	Incomplete bool // list: incompleteSearch
	Half       bool // list: every second item is left out, silently
	Times      int  // list: each item comes so many times on its page; 0 is once
	End        int  // list: nothing comes after so many items, neither on this page nor on another

	Endless bool  // list and changes: another page always follows, with nothing on it
	Blanks  int64 // JSON: so many come before the answer

	CutAfter int64 // bytes: the connection breaks after so many of this answer
	Stall    int64 // bytes: nothing more comes after so many
	EndAfter int64 // bytes: the answer ends, as if well, after so many; -1 is at once
	Extra    int   // bytes: so many more come than there are
	Flip     bool  // bytes: a bit of the byte at FlipAt (in the file) is wrong
	FlipAt   int64
}

// Inject adds a fault. The first one that fits a request befalls it.
func (s *Server) Inject(f Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if f.Count == 0 {
		f.Count = 1
	}
	s.faults = append(s.faults, &f)
}

// Heal ends all faults.
func (s *Server) Heal() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = nil
}

// takeFault is what befalls a request; the lock is held.
func (s *Server) takeFault(method, file string) Fault {
	for i, f := range s.faults {
		if f.Method != "" && f.Method != method || f.File != "" && f.File != file {
			continue
		}
		if f.Skip > 0 {
			f.Skip--
			continue
		}
		if f.Count--; f.Count == 0 {
			s.faults = append(s.faults[:i:i], s.faults[i+1:]...)
		}
		return *f
	}
	return Fault{}
}

// failure is an answer that says no.
type failure struct {
	status                    int
	reason, message, location string
	header                    http.Header
	html                      string
}

func (f Fault) failure() *failure {
	return &failure{f.Status, f.Reason, f.Message, f.Location, f.Header, f.HTML}
}

// domains of reasons, where it isn't "global" (guide "Resolve errors").
var domains = map[string]string{
	"userRateLimitExceeded": "usageLimits", "rateLimitExceeded": "usageLimits", "dailyLimitExceeded": "usageLimits",
	"quotaExceeded": "usageLimits", "downloadQuotaExceeded": "usageLimits", "accessNotConfigured": "usageLimits",
}

func (f *failure) write(w http.ResponseWriter) {
	for k, v := range f.header {
		w.Header()[k] = v
	}
	if f.html != "" {
		w.Header().Set("Content-Type", "text/html; charset=UTF-8")
		w.WriteHeader(f.status)
		io.WriteString(w, f.html)
		return
	}
	one := map[string]any{"domain": "global", "reason": f.reason, "message": f.message}
	if d := domains[f.reason]; d != "" {
		one["domain"] = d
	}
	if f.location != "" {
		one["location"], one["locationType"] = f.location, "parameter"
	}
	w.Header().Set("Content-Type", "application/json; charset=UTF-8")
	w.WriteHeader(f.status)
	json.NewEncoder(w).Encode(map[string]any{"error": map[string]any{"code": f.status, "message": f.message, "errors": []any{one}}})
}

func notFound(id string) *failure {
	return &failure{status: 404, reason: "notFound", message: "File not found: " + id + ".", location: "fileId"}
}

func invalid(location string) *failure {
	return &failure{status: 400, reason: "invalid", message: "Invalid Value", location: location}
}
