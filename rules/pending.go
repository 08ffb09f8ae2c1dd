package rules

// Stand-ins until match.go holds these; whoever adds the real ones to match.go deletes the line here.

func (c *Catalogue) Asks(e *Entry) []*Question            { return nil }
func (c *Catalogue) Unrecognised(e *Entry) (string, bool) { return "", false }
func (c *Catalogue) Dilated(f *Factor, e *Entry) bool     { return true }  // by f.Measure.Dilated{Codes,Words}/UndilatedWords over the entry's concepts, qualifiers, note
func (c *Catalogue) Mydriatic(e *Entry) bool              { return false } // a mydriatic drug is named in the entry
func (c *Catalogue) LensDone(e *Entry) bool               { return false } // a finished lens operation, or a status code of one (Z96.1, Z98.41/42)
func (c *Catalogue) factor(id string) *Factor             { return nil }
