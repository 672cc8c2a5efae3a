package disk

import "golang.org/x/sys/windows"

// PluggedIn are the places of drives and sticks that were plugged in: the drive letters of
// removable media (GetDriveTypeW).
func PluggedIn() (out []string) {
	for letter := 'A'; letter <= 'Z'; letter++ {
		root := string(letter) + `:\`
		p, err := windows.UTF16PtrFromString(root)
		if err == nil && windows.GetDriveType(p) == windows.DRIVE_REMOVABLE {
			out = append(out, root)
		}
	}
	return out
}
