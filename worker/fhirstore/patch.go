package fhirstore

import (
	"net/http"
	"reflect"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
)

// patchOperation is one step of a JSON Patch (RFC 6902): add, remove, replace or test. The store takes no move and no copy.
type patchOperation struct {
	Op    string `json:"op"`
	Path  string `json:"path"`
	Value any    `json:"value"`
}

// patch changes a resource by a JSON Patch, all of it or nothing. Members that it does not name keep their bytes.
func (s *Store) patch(c call, r *record) (answer, error) {
	if r.current().deleted() {
		return s.read(r.current())
	}
	if err := checkMatch(c.ifMatch, r); err != nil {
		return answer{}, err
	}
	var steps []patchOperation
	if err := json.Unmarshal(c.body, &steps); err != nil {
		return answer{}, refuse(http.StatusBadRequest, "structure", "the patch cannot be read")
	}
	edited, err := editMembers(r.current().raw, func(resource map[string]any) error {
		for _, o := range steps {
			path, rooted := strings.CutPrefix(o.Path, "/")
			if !rooted {
				return invalid("a patch of the whole resource is not taken")
			}
			if _, err := o.apply(resource, strings.Split(path, "/")); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return answer{}, err
	}
	d, decoded, err := decode(edited)
	if err != nil || d.typ != r.current().typ || d.id != r.current().id {
		return answer{}, invalid("a patch changes neither type nor id")
	}
	r = s.write(d, decoded, d.id, http.MethodPatch)
	return answer{status: http.StatusOK, version: r.current(), wrote: r}, nil
}

var pointerEscapes = strings.NewReplacer("~1", "/", "~0", "~")

// apply carries the operation out below v and returns what stands there then.
func (o patchOperation) apply(v any, path []string) (any, error) {
	name, last := pointerEscapes.Replace(path[0]), len(path) == 1
	switch v := v.(type) {
	case map[string]any:
		child, found := v[name]
		switch {
		case !found && (!last || o.Op != "add"):
			return nil, o.misses()
		case !last:
			next, err := o.apply(child, path[1:])
			v[name] = next
			return v, err
		case o.Op == "remove":
			delete(v, name)
			return v, nil
		}
		next, err := o.change(child)
		v[name] = next
		return v, err
	case []any:
		i, err := strconv.Atoi(name)
		if name == "-" {
			i, err = len(v), nil
		}
		adds := last && o.Op == "add"
		if err != nil || i < 0 || i > len(v) || (i == len(v) && !adds) {
			return nil, o.misses()
		}
		switch {
		case adds:
			v = append(v, nil)
			copy(v[i+1:], v[i:])
			v[i] = o.Value
			return v, nil
		case !last:
			v[i], err = o.apply(v[i], path[1:])
			return v, err
		case o.Op == "remove":
			return append(v[:i:i], v[i+1:]...), nil
		}
		v[i], err = o.change(v[i])
		return v, err
	}
	return nil, o.misses()
}

// change is what becomes of the value that the operation names.
func (o patchOperation) change(old any) (any, error) {
	switch {
	case o.Op == "test" && !reflect.DeepEqual(old, o.Value):
		return old, refuse(http.StatusUnprocessableEntity, "processing", "a test of the patch failed")
	case o.Op == "test":
		return old, nil
	case o.Op == "add", o.Op == "replace":
		return o.Value, nil
	}
	return old, refuse(http.StatusBadRequest, "not-supported", "no such operation of a patch here")
}

func (o patchOperation) misses() error {
	return refuse(http.StatusUnprocessableEntity, "processing", "the patch names what is not there")
}
