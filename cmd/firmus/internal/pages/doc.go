// Package pages serves the program's pages: what needs a person, what is so, and a form
// for each act of daily work. It reads the ledger, and orders acts from the packages below
// acts; it writes to nothing itself. Whoever asks is known by a session (session.go), and
// what they may do by their role.
//
// # To add a page
//
//  1. A file NAME.go with the page's handlers, func(*request) error, and its routes:
//
//     var nameRoutes = []route{
//     {"GET /name", fixity.Viewer, namePage},
//     {"POST /name/{id}/act", fixity.Technician, nameAct},
//     }
//
//     and a word in the table of allRoutes (site.go). A route's role is held by the site;
//     a POST from elsewhere, or by somebody who may not, never comes to the handler.
//
//  2. A template templates/NAME.html that defines "body"; it is rendered by
//     q.render("NAME", "Title", data), data being a struct of the page's own. What
//     templates share is in templates/parts.html, their functions in render.go.
//
//  3. If it belongs into the navigation, a line in menu (render.go).
//
// A handler returns an error rather than writing one: errors.go says which status it is,
// and in which words it is shown. q.view reads the ledger in one transaction. An act is
// ordered by q.act (act.go): it runs under the person's name, goes on when the browser is
// gone, and is shown with its progress if it takes longer than a moment.
//
// Whatever is shown goes through html/template. No page has script or style within it:
// the content policy forbids both.
package pages
