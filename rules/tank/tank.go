package tank

// Tank computes the volumes of one shape.
type Tank struct{ shape Shape }
