package daemon

import "context"

// driveLights shows every State on the LEDs of the policy.
func (s *supervisor) driveLights(ctx context.Context) { <-ctx.Done() }
