package drive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/replicas/cloud"
)

// endSoon is how soon before its end a sign-in is spoken of.
const endSoon = 3 * 24 * time.Hour

// Check says what is wrong with the credential and the clock, in plain words. It
// makes one call.
func (s *Service) Check(ctx context.Context) []cloud.Problem {
	var all []cloud.Problem
	_, err := s.api.About.Get().Context(ctx).Fields("user(emailAddress)").Do()
	if err != nil {
		err = s.class.of(err)
		all = append(all, cloud.Problem{Grave: true, Text: err.Error(), Do: s.Advice(err)})
	}
	all = append(all, s.trip.Skew("with a wrong one no token is given")...)
	if s.cred == nil || s.cred.RunsOut().IsZero() {
		return all
	}
	end, left := s.cred.RunsOut(), s.cred.RunsOut().Sub(s.trip.Now())
	const again = "sign in again; if it ends every seven days, publish the project's consent screen (\"in production\")"
	switch {
	case left <= 0:
		all = append(all, cloud.Problem{Grave: true, Text: fmt.Sprintf("the sign-in ended on %s", end.UTC().Format("2 Jan 2006 15:04 UTC")), Do: again})
	case left < endSoon:
		all = append(all, cloud.Problem{Text: fmt.Sprintf("the sign-in ends on %s", end.UTC().Format("2 Jan 2006 15:04 UTC")), Do: again})
	}
	return all
}

// Advice is what a person can do about err.
func (s *Service) Advice(err error) string {
	var e *cloud.Error
	if !errors.As(err, &e) {
		return ""
	}
	switch {
	case e.Class == cloud.Later:
		return "look whether this computer reaches the net, and try again"
	case e.Class == cloud.Tomorrow:
		return "wait until tomorrow"
	case e.Class == cloud.NotVisible:
		return "share the folder, as a viewer, with the account of the credential, and see that the folder's id in the configuration is right"
	case e.Reason == "accessNotConfigured":
		return "switch on the Google Drive API in that project, or use a key of the project in which it is on"
	case e.Class == cloud.Blind && s.cred != nil && s.cred.IsKey():
		return "see whether the clock is right and whether the key is the newest; else make a new key for the account"
	case e.Class == cloud.Blind:
		return "sign in again"
	}
	return ""
}
