package pages

import (
	"slices"

	"firmus/cmd/firmus/internal/pages/firstrun"
	"firmus/cmd/firmus/internal/pages/items"
	"firmus/cmd/firmus/internal/pages/shelf"
	"firmus/cmd/firmus/internal/pages/site"
)

// allRoutes are those of every page, but of a first run without a configuration.
func allRoutes() []site.Route {
	return slices.Concat(site.Routes, todayRoutes, findingRoutes, listenRoutes, items.Routes(), shelf.Routes, printRoutes, decideRoutes, workRoutes, storeRoutes, tidyRoutes, uploadRoutes, recordRoutes, levelRoutes, secondRoutes, retireRoutes, firstrun.Routes)
}

// New makes the site of an archive. It refuses what mustn't be served: see people.Needs.
func New(o site.Options) (*site.Site, error) {
	o.Reels = items.Counter(o)
	return site.New(o, allRoutes())
}
