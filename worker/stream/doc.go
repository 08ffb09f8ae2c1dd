// Package stream holds everything that touches NATS, except what happens with a message.
//
// Path of the data: a publisher (schedule, interface engine, our own intake) sends an event to the stream CLINIC, on
// clinic.booking.> or clinic.history.>; the durable pull consumers pupilrisk and pupilrisk-history hand it to the lanes
// of package worker; what cannot be handled goes to the stream CLINIC_DEADLETTER with a reason, and from there, by an
// operator's hand, back to where it came from.
//
// The NATS server is the clinic's own (Config.URL), or one embedded in this process for a clinic that has none. Whatever
// this package creates it can also repair, but only where Config.Manage says that streams, consumers and buckets are
// ours; it never deletes one, and never lowers what an existing one retains.
//
// # Permissions
//
// An account that does not manage (Config.Manage false) needs, with the inbox prefix of its configuration:
//
//	publish    $JS.API.STREAM.INFO.CLINIC, $JS.API.STREAM.INFO.CLINIC_DEADLETTER,
//	           $JS.API.CONSUMER.INFO.CLINIC.>, $JS.API.CONSUMER.MSG.NEXT.CLINIC.>, $JS.ACK.CLINIC.>,
//	           $JS.API.STREAM.MSG.GET.CLINIC (age of the oldest event), clinic.deadletter.>,
//	           and for each bucket B: $JS.API.STREAM.INFO.KV_B, $JS.API.DIRECT.GET.KV_B.>, $KV.B.>;
//	           for CLINIC_WORK, which is read as a whole, also $JS.API.CONSUMER.CREATE.KV_CLINIC_WORK.>,
//	           $JS.API.CONSUMER.DELETE.KV_CLINIC_WORK.>, $JS.FC.>
//	subscribe  <inbox prefix>.>
//
// The dead-letter commands add $JS.API.STREAM.MSG.GET.CLINIC_DEADLETTER, $JS.API.STREAM.MSG.DELETE.CLINIC_DEADLETTER and
// publishing to clinic.booking.> and clinic.history.>.
//
// # Nothing of a patient in logs
//
// The last tokens of a subject may be identifiers, so no log line and no error of this package holds a payload, nor a
// subject beyond its first two tokens; names of streams and consumers are ours and may appear.
package stream
