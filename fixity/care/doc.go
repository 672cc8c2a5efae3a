// Package care decides what a copy is, whether that is a finding, when it is read again
// and what may become the truth, by the rules that the archive has set (Rules). It is
// pure: values in, values out; no clock, no storage.
//
// A copy is one file in one store, or on one disc. After takes a copy, one piece of
// evidence (what was seen, or what a person ordered) and what must be known besides, and
// gives the copy as it is from then on, with what follows from it. Nothing else decides
// that. Judge says what a file's copies come to, and nothing else says that.
//
// # The table
//
// A row is a piece of evidence, a column the state before it. A cell is the state
// after it, with * if the copy becomes due at another time; "-" is no change at all.
// The file is a master in its arrivals store unless the row says otherwise. In the rows of
// what was read once, the file's version is what that one reading of the copy gave (Sole).
//
//	                                     awaited      intact       editing      behind       altered      unreadable   unsteady     disputed     missing      misplaced
//	shown, sign as known                 awaited*     -            -            -            -            -            -            -            missing*     misplaced*
//	shown, sign changed                  awaited*     intact*      editing*     behind*      -            -            -            -            missing*     misplaced*
//	shown, its inode alone changed       awaited*     intact*      editing*     behind*      -            -            -            -            missing*     misplaced*
//	touched, as a program tells          -            intact*      editing*     behind*      -            -            -            -            missing*     misplaced*
//	touched, ahead of all others         -            intact*      editing*     behind*      altered*     unreadable*  unsteady*    disputed*    missing*     misplaced*
//	not read now, its day is bounded     -            -            -            -            altered*     unreadable*  unsteady*    disputed*    -            -
//	not shown                            -            missing      missing      missing      missing      missing      missing      missing      -            missing
//	elsewhere, by size, time and name    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    -
//	elsewhere, by the service's report   misplaced*   misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced
//	elsewhere, by its bytes              misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    misplaced    -
//	elsewhere, and it was read once      -            -            -            -            -            -            -            -            -            misplaced
//	proved where it lies                 -            -            -            -            -            -            -            -            -            -
//	refuted, or vanished                 -            -            -            -            -            -            -            -            -            missing
//	another spelling                     awaited*     intact       editing      behind       altered      unreadable   unsteady     disputed     missing*     misplaced*
//	another place, not read              awaited*     intact*      editing*     behind*      altered      unreadable   unsteady     disputed     missing*     misplaced*
//	another place, the version read      intact*      intact*      intact*      intact*      intact       intact       intact       intact       intact*      intact*
//	read: the version                    intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*
//	read: the version, in the window     intact*      intact*      editing*     intact*      intact*      intact*      intact*      intact*      intact*      intact*
//	read: the version, cache allowed     intact*      -            intact       intact       -            -            -            -            intact       intact
//	read: the version, old name          behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*
//	read: an earlier version             behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*
//	read: what was outvoted, again       disputed*    disputed*    disputed*    disputed*    disputed     disputed     disputed     disputed     disputed*    disputed*
//	read: the same, its sign as known    disputed*    unsteady*    unsteady*    disputed*    unsteady     unsteady     unsteady     disputed     unsteady*    unsteady*
//	read: an earlier one, in the window  editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*
//	read: one before what was signed off behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*
//	read: a stump of old, in the window  behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*      behind*
//	read: no known version               disputed*    altered*     altered*     altered*     altered      altered      altered      disputed     altered*     altered*
//	read: a stump                        altered*     altered*     altered*     altered*     altered      altered      altered      altered      altered*     altered*
//	read: a whole save in the window     editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*     editing*
//	read: a stump in the window          disputed*    altered*     altered*     altered*     altered      altered      altered      disputed     altered*     altered*
//	read: other bytes, it was read once  disputed*    unsteady*    unsteady*    altered*     altered      unsteady     unsteady     disputed     unsteady*    unsteady*
//	read: it was read once, and saved    disputed*    altered*     altered*     altered*     altered      altered      altered      disputed     altered*     altered*
//	read: not all bytes                  unreadable*  unreadable*  unreadable*  unreadable*  unreadable   unreadable   unreadable   unreadable   unreadable*  unreadable*
//	read: two readings disagree          unsteady*    unsteady*    unsteady*    unsteady*    unsteady     unsteady     unsteady     unsteady     unsteady*    unsteady*
//	reported: the version                intact*      intact       editing      intact       altered      unreadable   unsteady     disputed     intact       intact
//	reported: an earlier version         behind*      behind       editing      behind       altered      unreadable   unsteady     disputed     behind       behind
//	reported: another digest             awaited*     intact*      editing*     behind*      altered      unreadable   unsteady     disputed     missing*     misplaced*
//	on a disc: as burned                 intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*
//	on a disc: altered                   altered*     altered*     altered*     altered*     altered      altered      altered      altered      altered*     altered*
//	a promise is over                    -            -            -            -            -            -            -            -            -            -
//	another copy isn't intact            awaited*     intact*      editing*     behind*      altered*     unreadable*  unsteady*    disputed*    -            -
//	the editing window is over           -            -            intact       -            -            -            -            -            -            -
//	its store joins                      -            -            -            -            -            -            -            -            -            -
//	taken in, found there                intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*
//	taken in, read once and nowhere else intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*      intact*
//	taken in, not found there            -            awaited      awaited      awaited      awaited      awaited      awaited      awaited      awaited      awaited
//	taken in, disputed                   disputed*    disputed*    disputed*    disputed*    disputed     disputed     disputed     disputed     disputed*    disputed*
//	its bytes are signed off             -            -            -            -            intact*      -            -            intact*      -            -
//	others' bytes are signed off         -            behind       behind       -            -            -            -            altered      -            -
//	others' bytes outvote one reading    -            behind       behind       -            -            -            -            -            -            -
//	the same bytes are signed off        -            behind       behind       -            intact       -            -            intact       -            -
//	the version it holds is saved again  -            intact       editing      intact       -            -            -            altered      -            -
//	a dispute is decided against it      -            -            -            -            -            -            -            altered      -            -
//	its place is signed off              -            -            -            -            -            -            -            -            -            intact*
//	renamed in another store             awaited      behind       -            -            -            -            -            -            -            behind
//	another file has its place           awaited*     awaited*     awaited*     awaited*     awaited      awaited      awaited      awaited      awaited*     awaited*
//	its store is replaced                awaited*     awaited*     awaited*     awaited*     awaited      awaited      awaited      awaited      awaited*     awaited*
//	put back                             awaited*     intact*      editing*     behind*      altered*     unreadable*  unsteady*    disputed*    missing*     misplaced*
//	settled                              awaited      intact       editing      behind       altered      unreadable   unsteady     disputed     missing      misplaced
package care
