package state

// PowerLevel is what is to be done for want of power.
type PowerLevel string

// Levels of power, best first. Where nothing is known of a battery it is the first.
const (
	Powered  PowerLevel = ""
	LowPower PowerLevel = "low"    // nothing new is begun
	Parked   PowerLevel = "parked" // what ran is parked too
)

// Power is how the box is supplied, as last read.
type Power struct {
	HasBattery  bool
	HasCharge   bool
	Percent     int // of the batteries' charge, 0 to 100
	HasExternal bool
	External    bool   // the box is fed, and no battery empties meanwhile
	Note        string // why the charge is not known; empty when it is
	Level       PowerLevel
}
