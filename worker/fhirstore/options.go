package fhirstore

import (
	"time"

	"github.com/google/uuid"
)

// Options say what the server offers and how well it keeps to the specification. The zero value offers reading, searching
// and single writes to known ids and nothing more; most callers start from DefaultOptions.
type Options struct {
	Types                []string // resource types offered, others answer 404; empty = every type the store knows
	UpdateCreate         bool     // PUT to an unknown id creates it (201); else 405
	Batch                bool     // POST of a batch Bundle to the base
	Transaction          bool     // POST of a transaction Bundle to the base
	ConditionalCreate    bool     // If-None-Exist and ifNoneExist; else they are refused with 400
	IfMatchInTransaction bool     // ifMatch and ifNoneMatch of an entry are obeyed; else they are silently ignored, as some servers do
	PageSize             int      // most entries of one page, also when _count asks for more; 0 = 200
	HideDeleted          bool     // a deleted resource reads 404 instead of 410
	Token                string   // if set, every request but metadata needs "Authorization: Bearer <Token>"
	PublicBase           string   // base written into links instead of the one the request came to, as behind a proxy

	// Searching.
	StrictPatientReference bool // patient=<bare id> finds nothing; only patient=Patient/<id> does
	IgnoreUnknownParams    bool // an unknown search parameter is ignored and left out of the self link; else it finds nothing
	StrictHandling         bool // Prefer: handling=strict answers 400 to an unknown search parameter

	// Faults of real servers, each measured on one.
	NoTotal                 bool // searchsets carry no total
	NoLinks                 bool // searchsets carry no links, so only the first page can be had
	EmptyLastPage           bool // a full last page still has a next link, to an empty page
	CountZeroIsDefault      bool // _count=0 is read as "no _count"; else it answers the total only
	IgnorePrefer            bool // Prefer return= is ignored
	IgnoreIncludes          bool // _include is ignored
	WideIncludes            bool // _include brings the patient too, unasked
	OpaqueVersions          bool // versionId is a random text instead of a number
	NoLastModified          bool // no Last-Modified header
	BareStatus              bool // response.status in Bundles is "201" instead of "201 Created"
	ShuffledHistory         bool // history comes oldest first, against the specification
	NonAtomicTransaction    bool // what a failing transaction wrote before it failed stays
	UnsafeConditionalCreate bool // parallel conditional creates may create more than one
	TransactionLimit        int  // most entries of a transaction, more are refused with 400; 0 = no limit

	ConditionalTransactionLimit int // the same for a transaction with an ifNoneExist; 0 = TransactionLimit

	Now   func() time.Time // clock of meta.lastUpdated; nil = time.Now
	NewID func() string    // ids that the server assigns; nil = random UUIDs
}

const defaultPageSize = 200

// DefaultOptions is a full server that keeps to the specification.
func DefaultOptions() Options {
	return Options{
		UpdateCreate: true, Batch: true, Transaction: true, ConditionalCreate: true, IfMatchInTransaction: true,
		IgnoreUnknownParams: true, StrictHandling: true, PageSize: defaultPageSize,
	}
}

// DatabaseOptions behave as a server over a database was measured to: no total, an empty last page, no hit for an unknown
// parameter even with handling=strict, includes nobody asked for, and conditional creates that race.
func DatabaseOptions() Options {
	o := DefaultOptions()
	o.IgnoreUnknownParams, o.StrictHandling = false, false
	o.NoTotal, o.EmptyLastPage, o.CountZeroIsDefault = true, true, true
	o.IgnorePrefer, o.WideIncludes, o.NoLastModified, o.UnsafeConditionalCreate = true, true, true, true
	return o
}

// RouterOptions behave as a router library with its extras was measured to: no hit for a bare patient id or an unknown
// parameter, versions that are no numbers, small transactions only.
func RouterOptions() Options {
	o := DefaultOptions()
	o.StrictPatientReference = true
	o.IgnoreUnknownParams, o.StrictHandling = false, false
	o.IgnorePrefer, o.OpaqueVersions, o.BareStatus, o.ShuffledHistory = true, true, true, true
	o.TransactionLimit, o.ConditionalTransactionLimit = 50, 8
	return o
}

// BareRouterOptions behave as the same library without extras: first pages only, transactions that leave half their
// writes, 404 for what was deleted.
func BareRouterOptions() Options {
	o := RouterOptions()
	o.NoLinks, o.NonAtomicTransaction, o.HideDeleted, o.IgnoreIncludes = true, true, true, true
	return o
}

func (o Options) withDefaults() Options {
	if o.PageSize <= 0 {
		o.PageSize = defaultPageSize
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.NewID == nil {
		o.NewID = uuid.NewString
	}
	return o
}
