package checking

import "context"

// NewDigested is for tests.
var NewDigested = newDigested

// Right is for tests.
func (d *digested) Right(ctx context.Context) (bool, error) { return d.right(ctx) }
