// Package tank turns oil level into oil volume and back.
package tank

// Mounting is how the tank's axis stands.
type Mounting uint8

// The mountings. Strapped tanks have a table instead of a shape.
const (
	Vertical Mounting = iota
	Horizontal
	Strapped
)

// Head is the form of a tank's end.
type Head uint8

// The head forms.
const (
	Flat Head = iota
	Ellipsoidal
	Hemispherical
	Torispherical
)

// Shape is what the drawing says of a tank's inside. All lengths in m.
type Shape struct {
	Mounting Mounting
	Diameter float64
	Length   float64 // tangent line to tangent line
	Bottom   Head    // lower head, or left head of a horizontal tank
	Top      Head    // upper head, or right head of a horizontal tank
	Depth    float64 // of an ellipsoidal head; 0: a quarter of the diameter (2:1)
	Dish     float64 // torispherical: dish radius over diameter; 0: 1
	Knuckle  float64 // torispherical: knuckle radius over diameter; 0: 0.06
	Table    []Strap // of a strapped tank, rising in both columns
}

// Strap is one row of a strapping table.
type Strap struct {
	Level  float64 // m above the lowest inside point
	Volume float64 // m³
}
