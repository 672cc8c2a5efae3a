package vmtest_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"firmus/replicas/testing/mmctest"

	"golang.org/x/sys/unix"
)

// The kernel's user-space target (Documentation/target/tcmu-design.rst) hands
// command blocks out in a ring in shared memory, mapped from /dev/uioN. Layout by
// include/uapi/linux/target_core_user.h.
const (
	mailFlags   = 2  // u16
	mailRing    = 4  // u32: where the ring begins
	mailSize    = 8  // u32: its size
	mailHead    = 12 // u32: the kernel's
	mailTail    = 64 // u32: ours, on a cache line of its own
	hasReadLen  = 1 << 1
	entryUFlags = 7  // u8
	entryVecs   = 8  // request: u32, how many vectors
	entryCDB    = 24 // request: u64, where the command block lies
	entryVec    = 48 // request: pairs of u64, base and length
	entryStatus = 8  // answer: u8
	entryLen    = 12 // answer: u32, bytes given
	entrySense  = 16 // answer: 96 bytes
	senseBytes  = 96
	opCommand   = 1
	unknownOp   = 1 << 0
	readLenSet  = 1 << 1
)

var le = binary.LittleEndian

// serve answers the kernel's commands by a simulated drive until it fails to.
func serve(fd int, m []byte, sim *mmctest.Drive) {
	ring, size := le.Uint32(m[mailRing:]), le.Uint32(m[mailSize:])
	head, tail := (*uint32)(unsafe.Pointer(&m[mailHead])), (*uint32)(unsafe.Pointer(&m[mailTail]))
	readLen := le.Uint16(m[mailFlags:])&hasReadLen != 0
	var word [4]byte
	for {
		if _, err := unix.Read(fd, word[:]); err != nil && err != unix.EINTR {
			return
		}
		for {
			at := atomic.LoadUint32(tail)
			if at == atomic.LoadUint32(head) {
				break
			}
			e := m[ring+at:]
			length, op := le.Uint32(e)&^7, le.Uint32(e)&7
			switch op {
			case 0: // padding
			case opCommand:
				answer(m, e, sim, readLen)
			default:
				e[entryUFlags] |= unknownOp
			}
			atomic.StoreUint32(tail, (at+length)%size)
		}
		if _, err := unix.Write(fd, word[:]); err != nil {
			return
		}
	}
}

func answer(m, e []byte, sim *mmctest.Drive, readLen bool) {
	at := le.Uint64(e[entryCDB:])
	block := bytes.Clone(m[at : at+16])
	var vecs [][]byte
	room := 0
	for i := range int(le.Uint32(e[entryVecs:])) {
		base, n := le.Uint64(e[entryVec+16*i:]), le.Uint64(e[entryVec+16*i+8:])
		vecs = append(vecs, m[base:base+n])
		room += int(n)
	}
	// Only SET STREAMING sends anything.
	in, status, sense, err := sim.Handle(block, bytes.Join(vecs, nil), room)
	if err != nil {
		status = 2
		sense.Key, sense.ASC = 4, 0x44
	}
	rest := in
	for _, v := range vecs {
		rest = rest[copy(v, rest):]
	}
	clear(e[entryStatus : entrySense+senseBytes])
	e[entryStatus] = byte(status)
	if status != 0 {
		copy(e[entrySense:], sense.Fixed())
	} else if readLen && len(in) < room {
		e[entryUFlags] |= readLenSet
		le.PutUint32(e[entryLen:], uint32(len(in)))
	}
}

var drives atomic.Int32

// attach makes a simulated drive a drive of this kernel, and gives its node.
func attach(t *testing.T, sim *mmctest.Drive, sectors int64) string {
	t.Helper()
	n := drives.Add(1)
	const config = "/sys/kernel/config/target"
	core := fmt.Sprintf("%s/core/user_%d/drive", config, n)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(path, text string) {
		t.Helper()
		must(os.WriteFile(path, []byte(text), 0))
	}
	before, _ := filepath.Glob("/sys/block/sr*")
	must(os.MkdirAll(core, 0o755))
	write(core+"/control", fmt.Sprintf("dev_config=firmus/%d,dev_size=%d,hw_block_size=2048", n, sectors*2048))
	write(core+"/enable", "1")
	// The newest of its devices is this one's.
	nodes, err := filepath.Glob("/sys/class/uio/uio*")
	must(err)
	var uio string
	for _, u := range nodes {
		if b, _ := os.ReadFile(u + "/name"); strings.Contains(string(b), fmt.Sprintf("firmus/%d", n)) {
			uio = u
		}
	}
	if uio == "" {
		t.Fatalf("no device among %v", nodes)
	}
	var size int
	b, err := os.ReadFile(uio + "/maps/map0/size")
	must(err)
	_, err = fmt.Sscanf(string(b), "0x%x", &size)
	must(err)
	fd, err := unix.Open("/dev/"+filepath.Base(uio), unix.O_RDWR|unix.O_CLOEXEC, 0)
	must(err)
	m, err := unix.Mmap(fd, 0, size, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	must(err)
	go serve(fd, m, sim)
	port := fmt.Sprintf("%s/loopback/naa.50014050000000%02d/tpgt_1", config, 2*n)
	must(os.MkdirAll(port+"/lun/lun_0", 0o755))
	write(port+"/nexus", fmt.Sprintf("naa.50014050000000%02d", 2*n+1))
	must(os.Symlink(core, port+"/lun/lun_0/drive"))
	for range 500 {
		now, _ := filepath.Glob("/sys/block/sr*")
		for _, s := range now {
			if !strings.Contains(strings.Join(before, " ")+" ", s+" ") {
				node := "/dev/" + filepath.Base(s)
				if _, err := os.Stat(node); err == nil {
					return node
				}
			}
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("the kernel shows no new drive")
	return ""
}
