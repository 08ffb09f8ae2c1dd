package smart

import (
	"slices"
	"strings"
)

// scope is one SMART scope on resources: context/type.rights?restriction.
type scope struct{ context, typ, rights, restriction string }

// parseScope reads a scope of SMART version 2 (rights are letters of cruds, in that order) or 1 (read, write, *). ok is false for any
// other, which then means no more than what it says literally.
func parseScope(s string) (out scope, ok bool) {
	s, out.restriction, _ = strings.Cut(s, "?")
	out.context, s, ok = strings.Cut(s, "/")
	dot := strings.LastIndexByte(s, '.')
	if !ok || dot < 1 {
		return out, false
	}
	out.typ, out.rights = s[:dot], s[dot+1:]
	switch out.rights {
	case "read":
		out.rights = "rs"
	case "write":
		out.rights = "cud"
	case "*":
		out.rights = "cruds"
	}
	at := -1
	for _, r := range out.rights {
		next := strings.IndexRune("cruds", r)
		if next <= at {
			return out, false
		}
		at = next
	}
	return out, at >= 0
}

// Missing lists, in their order, the scopes of needed that granted does not cover; both are lists with spaces. A right is covered by
// the same right on the type or on all types, in whatever combination and version of SMART; a grant that is restricted to some
// resources covers only the same restriction.
func Missing(needed, granted string) (missing []string) {
	have := strings.Fields(granted)
	for _, need := range strings.Fields(needed) {
		if !slices.Contains(have, need) && !covers(have, need) {
			missing = append(missing, need)
		}
	}
	return missing
}

func covers(have []string, need string) bool {
	n, ok := parseScope(need)
	if !ok {
		return false
	}
	rights := ""
	for _, h := range have {
		g, ok := parseScope(h)
		if ok && g.context == n.context && (g.typ == n.typ || g.typ == "*") && (g.restriction == "" || g.restriction == n.restriction) {
			rights += g.rights
		}
	}
	return !strings.ContainsFunc(n.rights, func(r rune) bool { return !strings.ContainsRune(rights, r) })
}
