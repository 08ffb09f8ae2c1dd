package rules

// index makes matching cost the same for five hundred codes and for fifty thousand.
type index struct{}

// Hit is one factor that an entry is evidence for.
type Hit struct {
	Factor *Factor
	// Matched is what was recognised, as the record writes it.
	Matched string
	How     How
	// Code identifies the evidence across repeats: factor and substance or finding, never a resource id.
	Code string
}

// Match lists the factors that e is evidence for, by its codes, classes and texts, whatever its standing, date and value.
// Each factor is listed once, by its surest match; the order is that of c.Factors.
func (c *Catalogue) Match(e *Entry) []Hit { return nil }
