package mmc

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"

	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// C2Bytes is the size of the error flags of one audio sector: a bit a byte, the
// highest first (MMC-6, 6.18.2.6).
const C2Bytes = sector.Raw / 8

// The most sectors that one command reads, so that it stays below 64 KiB.
const (
	MaxData  = scsi.MaxTransfer / sector.Data            // 32
	MaxAudio = scsi.MaxTransfer / (sector.Raw + C2Bytes) // 24
)

// ReadData reads count sectors of data (MODE 1, mode 2 form 1, DVD) from lba on into
// b, of count*2048 bytes. The sense is of a drive that had to work for it. After an
// error b holds nothing that may be believed; which of the sectors is bad isn't
// known either, unless count is 1.
func (d *Drive) ReadData(ctx context.Context, lba int64, count int, b []byte) (scsi.Sense, error) {
	if lba < 0 || lba+int64(count) > 1<<32 || count < 1 || count > MaxData || len(b) != count*sector.Data {
		return scsi.Sense{}, fmt.Errorf("read %d sectors from %d into %d bytes: %w", count, lba, len(b), scsi.ErrCommand)
	}
	cdb := make([]byte, 10)
	cdb[0] = 0x28
	binary.BigEndian.PutUint32(cdb[2:], uint32(lba))
	binary.BigEndian.PutUint16(cdb[7:], uint16(count))
	sense, err := d.deliver(ctx, cdb, b, sector.Data)
	if err != nil {
		return sense, fmt.Errorf("read %d sectors from %d: %w", count, lba, err)
	}
	return sense, nil
}

// ReadAudio reads count audio sectors from lba on: samples into pcm, of count*2352
// bytes, and if c2 isn't nil the drive's error flags into it, of count*294. For the
// rest it is as ReadData. Flags may only be asked for after ProveC2.
func (d *Drive) ReadAudio(ctx context.Context, lba int64, count int, pcm, c2 []byte) (scsi.Sense, error) {
	if lba < -sector.Lead || lba > 1<<31 || count < 1 || count > MaxAudio || len(pcm) != count*sector.Raw || c2 != nil && len(c2) != count*C2Bytes {
		return scsi.Sense{}, fmt.Errorf("read %d audio sectors from %d into %d bytes: %w", count, lba, len(pcm), scsi.ErrCommand)
	}
	if c2 == nil {
		sense, err := d.deliver(ctx, readCD(lba, count, false), pcm, sector.Raw)
		if err != nil {
			return sense, fmt.Errorf("read %d audio sectors from %d: %w", count, lba, err)
		}
		return sense, nil
	}
	const unit = sector.Raw + C2Bytes
	b := d.scratch[:count*unit]
	sense, err := d.deliver(ctx, readCD(lba, count, true), b, unit)
	if err != nil {
		return sense, fmt.Errorf("read %d audio sectors from %d: %w", count, lba, err)
	}
	for i := range count {
		copy(pcm[i*sector.Raw:(i+1)*sector.Raw], b[i*unit:])
		copy(c2[i*C2Bytes:(i+1)*C2Bytes], b[i*unit+sector.Raw:])
	}
	return sense, nil
}

// readCD makes READ CD (MMC-6, 6.18) for CD-DA sectors, with flags or without.
func readCD(lba int64, count int, c2 bool) []byte {
	cdb := make([]byte, 12)
	cdb[0], cdb[1] = 0xBE, 1<<2 // expected sector type: CD-DA
	binary.BigEndian.PutUint32(cdb[2:], uint32(int32(lba)))
	cdb[6], cdb[7], cdb[8] = byte(count>>16), byte(count>>8), byte(count)
	cdb[9] = 0xF8 // all of the main channel: 2352 bytes
	if c2 {
		cdb[9] |= 0x02 // 294 bytes of flags behind them
	}
	return cdb
}

// poison ends each unit of b with a mark that is nowhere else.
func (d *Drive) poison(b []byte, unit int) (marks []byte) {
	d.turn += 2
	marks = make([]byte, 16)
	for i := range marks {
		marks[i] = (byte(i)*37 + 0x5A) ^ d.turn
	}
	for at := unit; at <= len(b); at += unit {
		copy(b[at-16:at], marks)
	}
	return marks
}

func untouched(b []byte, unit int, marks []byte) bool {
	for at := unit; at <= len(b); at += unit {
		if bytes.Equal(b[at-16:at], marks) {
			return true
		}
	}
	return false
}

// deliver reads into b, and proves by a mark at the end of each sector that every
// one of them was written. A sector that truly holds the mark is told by a second
// reading with another. It gives ErrNotWritten if one wasn't.
func (d *Drive) deliver(ctx context.Context, cdb, b []byte, unit int) (scsi.Sense, error) {
	for range 2 {
		marks := d.poison(b, unit)
		sense, err := d.do(ctx, cdb, b, scsi.In, ReadTime)
		if err != nil {
			return sense, err
		}
		if !untouched(b, unit, marks) {
			return sense, nil
		}
	}
	return scsi.Sense{}, fmt.Errorf("%s: %w", scsi.CommandName(cdb[0]), ErrNotWritten)
}

// ProveC2 says whether the drive's error flags may be believed: announced must be
// what Configuration said, and two audio sectors at lba are read, best where there is
// sound, to see that the flags are written at all. Drives are known that announce
// them and leave the buffer as it was, or send the bare sectors. A drive that writes
// zeros whatever it read can't be told from a clean disc.
func (d *Drive) ProveC2(ctx context.Context, announced bool, lba int64) (bool, error) {
	if !announced {
		return false, nil
	}
	const unit = sector.Raw + C2Bytes
	b := d.scratch[:2*unit]
	for _, poison := range []byte{0xA5, 0x5A} {
		for i := range b {
			b[i] = poison
		}
		if _, err := d.do(ctx, readCD(lba, 2, true), b, scsi.In, ReadTime); err != nil {
			return false, err
		}
		left := bytes.Repeat([]byte{poison}, 16)
		if bytes.Contains(b[sector.Raw:unit], left) || bytes.Contains(b[unit+sector.Raw:], left) {
			return false, nil
		}
	}
	// The system may fill what the drive didn't send with zeros. Where the second
	// sector begins shows whether flags lie between the two.
	bare := make([]byte, 2*sector.Raw)
	if _, err := d.ReadAudio(ctx, lba, 2, bare, nil); err != nil {
		return false, err
	}
	second := bare[sector.Raw:]
	return bytes.Equal(b[unit:unit+sector.Raw], second) || !bytes.Equal(b[sector.Raw:2*sector.Raw], second), nil
}
