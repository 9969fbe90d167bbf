//go:build !race

package offload

const raceDetector = false
