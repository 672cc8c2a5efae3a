package burned

import (
	"bytes"
	"errors"

	"firmus/fixity"
	"firmus/replicas/optical/cdda"
)

// mostAgain bounds the sectors that are read once more: where so many differ the drive's
// mistakes aren't what decides.
const mostAgain = 2000

// readAgain reads sectors of sound that differ from the drive once more: one wrong
// reading isn't damage. It says that some came otherwise, so that it is all to be
// compared anew; no sector is read again twice.
func (c *check) readAgain(differing []Sectors) (more bool, err error) {
	if !c.d.Drive() || c.src.only {
		return false, nil // an image isn't misread
	}
	if c.again == nil {
		c.again, c.otherwise = newBits(c.contents.LeadOut), newBits(c.contents.LeadOut)
		c.againLeft = mostAgain
	}
	first, second := make([]byte, cdda.SectorBytes), make([]byte, cdda.SectorBytes)
	for _, s := range differing {
		for lba := s.LBA; lba < s.LBA+s.Count && c.againLeft > 0; lba++ {
			if c.again.has(lba) {
				continue
			}
			c.again.set(lba)
			c.againLeft--
			if err := c.ctx.Err(); err != nil {
				return false, err
			}
			r := c.src.reader(true)
			n, err := r.ReadAt(first, lba*cdda.SectorBytes)
			if n == len(first) {
				done := c.src.again()
				n, err = r.ReadAt(second, lba*cdda.SectorBytes)
				done()
			}
			switch {
			case n < len(second) && (broken(err) || !errors.Is(err, fixity.ErrUnreadable)):
				return false, err
			case n == len(second) && bytes.Equal(first, second):
				continue
			}
			c.otherwise.set(lba)
			more = true
		}
	}
	return more, nil
}
