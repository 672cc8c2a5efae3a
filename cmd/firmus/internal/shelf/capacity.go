package shelf

// Capacity is what a blank holds, in sectors.
type Capacity struct {
	Name    string // "CD-R, 80 minutes"
	Medium  string // "CD" or "DVD"
	Sectors int64
}
