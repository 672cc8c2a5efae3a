// Package pages serves the program's pages: what needs a person, what is so, and a form
// for each act of daily work. It reads the ledger, and orders acts from the packages below
// acts; it writes to nothing itself. Here are findings and decisions about them, the day's
// work, stores and the record; the other rooms are
//
//	site/      what every page uses: who asks and what they may, rendering, orders and their
//	           progress, statements to print, words that pages share; templates and style
//	items/     reels and their sides, and the register
//	shelf/     discs: lists, checks, a sitting
//	firstrun/  the questions of a first configuration, and the first intake
//	stave/     draws marks and staves
//
// A room knows site and no other room.
//
// # To add a page
//
//  1. A file NAME.go with the page's handlers, func(*site.Request) error, and its routes:
//
//     var nameRoutes = []site.Route{
//     {Pattern: "GET /name", Needs: fixity.Viewer, Do: namePage},
//     {Pattern: "POST /name/{id}/act", Needs: fixity.Technician, Do: nameAct},
//     }
//
//     and a word in the table of allRoutes (pages.go), or lines in the Routes of a room. A
//     route's role is held by the site; a POST from elsewhere, or by somebody who may not,
//     never comes to the handler.
//
//  2. A template site/templates/NAME.html that defines "body"; it is rendered by
//     q.Render("NAME", "Title", data), data being a struct of the page's own. What
//     templates share is in site/templates/parts.html, their functions in site/render.go.
//
//  3. If it belongs into the navigation, a line in menu (site/render.go).
//
// A handler returns an error rather than writing one: site/errors.go says which status it is,
// and in which words it is shown. q.View reads the ledger in one transaction. An act is
// ordered by q.Act (site/act.go): it runs under the person's name, goes on when the browser is
// gone, and is shown with its progress if it takes longer than a moment.
//
// Whatever is shown goes through html/template. No page has script or style within it:
// the content policy forbids both.
package pages
