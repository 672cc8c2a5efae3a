package drive

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"

	"cloud.google.com/go/auth"
	"google.golang.org/api/googleapi"
)

// classifier turns errors of the client library into cloud errors. It reads the
// reason first and the status only then: the API says "slow down" with 403 (guide
// "Resolve errors").
type classifier struct {
	who string // the account, for messages; "" if it isn't known
	key bool   // the credential is a service account's key
	now func() time.Time
}

// meaning is what a reason stands for.
type meaning struct {
	class cloud.Class
	text  string
}

// reasons are those of the guide "Resolve errors" (2026-04-01), and quotaExceeded
// and downloadQuotaExceeded, which services of this kind have been seen to give.
var reasons = map[string]meaning{
	"userRateLimitExceeded":    {cloud.Later, "too many calls at once"},
	"rateLimitExceeded":        {cloud.Later, "too many calls at once"},
	"sharingRateLimitExceeded": {cloud.Later, "too many calls at once"},
	"backendError":             {cloud.Later, "the service has an outage"},
	"internalError":            {cloud.Later, "the service has an outage"},
	"transientError":           {cloud.Later, "the service has an outage"},

	"dailyLimitExceeded":      {cloud.Tomorrow, "the project's calls for today are used up"},
	"dailyLimitExceededUnreg": {cloud.Tomorrow, "the calls for today are used up"},
	"quotaExceeded":           {cloud.Tomorrow, "an allowance for today is used up"},

	"downloadQuotaExceeded":            {cloud.ThisFile, "this file was downloaded too often today; another day it can be read again"},
	"cannotDownloadFile":               {cloud.ThisFile, "whoever owns this file does not allow downloading it"},
	"cannotDownloadAbusiveFile":        {cloud.ThisFile, "the service holds this file to be harmful and does not give it out"},
	"fileNotDownloadable":              {cloud.ThisFile, "this file has no bytes of its own"},
	"fileNotExportable":                {cloud.ThisFile, "this file can't be exported"},
	"exportSizeLimitExceeded":          {cloud.ThisFile, "this file is too large to be exported"},
	"insufficientFilePermissions":      {cloud.ThisFile, "this account may not do that with this file"},
	"appNotAuthorizedToFile":           {cloud.ThisFile, "this account's project was not given access to this file"},
	"download_restricted_for_revision": {cloud.ThisFile, "this earlier version is not given out"},

	"notFound": {cloud.NotVisible, "there is no such thing, or it is not shared with this account"},

	"authError":                       {cloud.Blind, "the service does not accept the credential"},
	"expired":                         {cloud.Blind, "the credential has expired"},
	"insufficientPermissions":         {cloud.Blind, "the credential does not allow reading"},
	"accessNotConfigured":             {cloud.Blind, "the Drive API is not switched on in the project that the credential belongs to"},
	"domainPolicy":                    {cloud.Blind, "the organisation's administrator has forbidden the access"},
	"teamDriveMembershipRequired":     {cloud.NotVisible, "this account is no member of the shared drive"},
	"accountDisabled":                 {cloud.Blind, "the account is disabled"},
	"ACCESS_TOKEN_SCOPE_INSUFFICIENT": {cloud.Blind, "the credential does not allow reading"},
}

// of is err as a cloud.Error. Nothing that isn't known to pass is tried again.
func (c *classifier) of(err error) error { return c.as(err, cloud.Blind) }

// ofFile is of for a call about one file's bytes: what is forbidden for a reason
// that isn't known is forbidden for this file.
func (c *classifier) ofFile(err error) error { return c.as(err, cloud.ThisFile) }

func (c *classifier) as(err error, forbids cloud.Class) error {
	// A token that can't be had arrives inside what looks like a network error:
	// taken for one it would be tried again for ever.
	var token *tokenError
	if errors.As(err, &token) {
		return c.ofToken(token)
	}
	var e *googleapi.Error
	if errors.As(err, &e) {
		return c.ofAnswer(e, forbids)
	}
	if errors.Is(err, wire.ErrTooLong) {
		return wire.Nonsense(http.StatusOK, fmt.Errorf("%w: more than %d bytes", wire.ErrTooLong, maxAnswer))
	}
	if errors.Is(err, errNull) {
		return wire.Nonsense(http.StatusOK, err)
	}
	return wire.Unreached(err)
}

// errNull is for an answer with nothing where something is to be.
var errNull = errors.New("there is nothing where something is to be")

// given is what a call came to. The library makes nil of an answer that is JSON's null.
func given[T any](v *T, err error) (*T, error) {
	if err == nil && v == nil {
		err = errNull
	}
	return v, err
}

func (c *classifier) ofAnswer(e *googleapi.Error, forbids cloud.Class) error {
	out := &cloud.Error{Status: e.Code, After: wire.After(e.Header, c.now())}
	reason, location := reasonOf(e)
	out.Reason = reason
	m, known := reasons[reason]
	if location == "quota.download" {
		m, known = reasons["downloadQuotaExceeded"], true
	}
	switch {
	case known:
		out.Class, out.Text = m.class, m.text
	case e.Code == http.StatusNotFound || e.Code == http.StatusGone:
		out.Class, out.Text = cloud.NotVisible, reasons["notFound"].text
	case e.Code == http.StatusUnauthorized:
		out.Class, out.Text = cloud.Blind, reasons["authError"].text
	case e.Code == http.StatusRequestTimeout || e.Code == http.StatusTooManyRequests:
		out.Class, out.Text = cloud.Later, reasons["rateLimitExceeded"].text
	case e.Code >= 500:
		out.Class, out.Text = cloud.Later, reasons["backendError"].text
	case e.Code == http.StatusForbidden:
		out.Class, out.Text = forbids, "the service forbids it"
	default:
		out.Class, out.Text = cloud.Refused, "the service does not accept the call"
	}
	if out.Class == cloud.Blind && c.who != "" {
		out.Text += " (" + c.who + ")"
	}
	// An HTML page is not for people to read here; of JSON the message is.
	if e.Message != "" && !strings.Contains(e.Message, "<") {
		out.Err = errors.New(strconv.Quote(e.Message))
	}
	return out
}

// reasonOf is the reason and location of an answer. The client library keeps only
// the first of the two.
func reasonOf(e *googleapi.Error) (reason, location string) {
	var body struct {
		Error struct {
			Errors  []struct{ Reason, Location string }
			Details []struct{ Reason string }
		}
	}
	if json.Unmarshal([]byte(e.Body), &body) == nil {
		for _, x := range body.Error.Errors {
			return x.Reason, x.Location
		}
		for _, x := range body.Error.Details {
			if x.Reason != "" {
				return x.Reason, ""
			}
		}
	}
	if len(e.Errors) > 0 {
		return e.Errors[0].Reason, ""
	}
	return "", ""
}

// tokenError is a token that could not be had.
type tokenError struct{ err error }

func (e *tokenError) Error() string { return "no token: " + e.err.Error() }
func (e *tokenError) Unwrap() error { return e.err }

// ofToken says why no token could be had. The codes are those of RFC 6749, section
// 5.2, and what the token server says beside them.
func (c *classifier) ofToken(t *tokenError) error {
	out := &cloud.Error{Class: cloud.Later, Text: "the server that gives out tokens was not reached", Err: t.err}
	var a *auth.Error
	if !errors.As(t.err, &a) || a.Response == nil {
		return out
	}
	out.Status, out.Err, out.After = a.Response.StatusCode, nil, wire.After(a.Response.Header, c.now())
	if out.Status >= 500 || out.Status == http.StatusTooManyRequests || out.Status == http.StatusRequestTimeout {
		out.Text = "the server that gives out tokens has an outage"
		return out
	}
	var body struct {
		Code string `json:"error"`
		Text string `json:"error_description"`
	}
	json.Unmarshal(a.Body, &body) // HTML is no code
	out.Class, out.Reason = cloud.Blind, body.Code
	out.Text = "no token is given for the credential"
	switch {
	case strings.Contains(body.Text, "reasonable timeframe") || strings.Contains(body.Text, "iat and exp"):
		out.Text = "no token is given: this computer's clock is wrong"
	case strings.Contains(body.Text, "account not found"):
		out.Text = "the account of the key does not exist any more"
	case strings.Contains(body.Text, "Invalid JWT Signature"):
		out.Text = "the key was deleted or replaced by another"
	case body.Code == "invalid_grant":
		out.Text = "the sign-in has ended: it was withdrawn, has run out, or was not used for six months"
		if c.key {
			out.Text = "the key is not accepted"
		}
	case body.Code == "invalid_client" || body.Code == "unauthorized_client" || body.Code == "deleted_client":
		out.Text = "the project does not know this program any more"
	}
	if c.who != "" {
		out.Text += " (" + c.who + ")"
	}
	if body.Text != "" {
		out.Err = errors.New(strconv.Quote(body.Text))
	}
	return out
}
