package rules

import "fmt"

// Eye is a set of eyes. The zero value means that the record does not say which side; unknown counts for both eyes and
// never for neither.
type Eye uint8

// The four values of Eye. BothEyes is RightEye with LeftEye.
const (
	EyeUnknown Eye = 0
	RightEye   Eye = 1
	LeftEye    Eye = 2
	BothEyes   Eye = RightEye | LeftEye
)

// Sides lists the single eyes that e may mean: an unknown side may be either.
func (e Eye) Sides() []Eye {
	switch e {
	case RightEye:
		return []Eye{RightEye}
	case LeftEye:
		return []Eye{LeftEye}
	default:
		return []Eye{RightEye, LeftEye}
	}
}

// MayBe reports whether e and o can mean a common eye.
func (e Eye) MayBe(o Eye) bool {
	return e == EyeUnknown || o == EyeUnknown || e&o != 0
}

// Fellow is the other eye of a single one; both and unknown stay as they are.
func (e Eye) Fellow() Eye {
	switch e {
	case RightEye:
		return LeftEye
	case LeftEye:
		return RightEye
	default:
		return e
	}
}

// String is right, left, both or unknown.
func (e Eye) String() string {
	switch e {
	case RightEye:
		return "right"
	case LeftEye:
		return "left"
	case BothEyes:
		return "both"
	default:
		return "unknown"
	}
}

// MarshalText writes e as String does.
func (e Eye) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads what MarshalText wrote and refuses all else.
func (e *Eye) UnmarshalText(b []byte) error {
	for _, v := range []Eye{EyeUnknown, RightEye, LeftEye, BothEyes} {
		if v.String() == string(b) {
			*e = v
			return nil
		}
	}
	return fmt.Errorf("eye is not right, left, both or unknown")
}
