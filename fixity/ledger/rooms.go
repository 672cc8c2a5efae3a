package ledger

import "firmus/fixity/ledger/record"

// The rooms of a transaction. Each asks and writes what its name says, and may call
// the others: a file is judged from what all its copies hold, in one transaction.
type (
	Audits    struct{ *Tx } // runs, their shards and portions; listings, readings, conclusions
	Clock     struct{ *Tx } // firings of the schedule, and each store's pace
	Copies    struct{ *Tx } // what each place of each store holds; tallies of them
	Discs     struct{ *Tx } // discs, what was burned on them, checks, decisions for a class
	Files     struct{ *Tx } // files under care, their versions, what they sound like
	Findings  struct{ *Tx } // what is not as it should be, and how it ended
	Incidents struct{ *Tx } // findings of one kind in one store that are told as one
	Hosts     struct{ *Tx } // computers that share the ledger, and what each has read
	Levels    struct{ *Tx } // what people state of the preservation levels
	Manifests struct{ *Tx } // manifests that were written, and those that are owed
	People    struct{ *Tx } // who may open the pages, and the browsers they do it with
	Proposals struct{ *Tx } // acts that wait for a second person
	Post      struct{ *Tx } // letters and their deliveries
	Register  struct{ *Tx } // the archive's own register, as it was read
	Services  struct{ *Tx } // ids, owners and change logs of cloud services
	Sources   struct{ *Tx } // sticks and recorders that transfers were received from
	Stores    struct{ *Tx } // stores, their roots and volumes
	Strays    struct{ *Tx } // what lies in a store under no one's care
)

// Log is the record of events: told, proved, taken up again; and backups of the ledger.
type Log struct {
	record.Log
	t *Tx
}

type rooms struct {
	Audits    Audits
	Clock     Clock
	Copies    Copies
	Discs     Discs
	Files     Files
	Findings  Findings
	Hosts     Hosts
	Incidents Incidents
	Levels    Levels
	Log       Log
	Manifests Manifests
	People    People
	Post      Post
	Proposals Proposals
	Register  Register
	Services  Services
	Sources   Sources
	Stores    Stores
	Strays    Strays
}

// furnished returns t with its rooms.
func (t *Tx) furnished() *Tx {
	t.rooms = rooms{Audits{t}, Clock{t}, Copies{t}, Discs{t}, Files{t}, Findings{t}, Hosts{t}, Incidents{t}, Levels{t}, Log{t.record.Log, t}, Manifests{t}, People{t}, Post{t}, Proposals{t}, Register{t}, Services{t}, Sources{t}, Stores{t}, Strays{t}}
	return t
}
