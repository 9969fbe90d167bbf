//go:build !race

package daemon

const raceDetector = false

const seedsByDefault = 20
