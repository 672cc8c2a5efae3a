package scsi

import "time"

// PassThroughDevice is a drive on Windows' pass-through, with ioctl in place of the
// system. ioctl is given the request and the buffer whose address stands in it.
func PassThroughDevice(path string, ioctl func(request, data []byte) error, shut func() error) *Device {
	return newDevice(path, &passThrough{ioctl, shut})
}

// PassThroughLayout names the places of the fields in a request.
var PassThroughLayout = map[string]int{
	"Length": ptLength, "Status": ptStatus, "CDBLength": ptCDBLength, "SenseLength": ptSenseLength, "DataIn": ptDataIn,
	"TransferLength": ptTransferLength, "TimeOut": ptTimeOut, "DataBuffer": ptDataBuffer, "SenseOffset": ptSenseOffset,
	"CDB": ptCDB, "size": ptSize,
}

var (
	PutAddress = putAddress
	DevicePath = devicePath
)

// LinkFunc is a drive whose answers a test makes up.
type LinkFunc func(cdb, data []byte) (status Status, sense []byte, host, driver uint16, residual int, err error)

func (f LinkFunc) send(cdb, data []byte, _ Direction, _ time.Duration) (answer, error) {
	s, sense, h, d, r, err := f(cdb, data)
	return answer{s, sense, h, d, r}, err
}

func (f LinkFunc) close() error {
	if f == nil {
		return nil
	}
	_, _, _, _, _, err := f(nil, nil)
	return err
}

// NewDevice is a drive over f; f is called without a command when it is let go.
func NewDevice(path string, f LinkFunc) *Device { return newDevice(path, f) }
