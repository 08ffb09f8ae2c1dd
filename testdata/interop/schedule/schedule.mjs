// Reads an operating list from a FHIR server as a schedule would: the appointments of some days, for each the Tasks that are
// about it and the active Flags of its patient. HTTP, search and pages are those of fhir-kit-client, nothing of ours.
//
// node schedule.mjs BASE FROM TO    prints one JSON line per appointment
import { Client } from 'fhir-kit-client';

const [base, from, to] = process.argv.slice(2);
const client = new Client({ baseUrl: base });

async function all(resourceType, searchParams) {
  const found = [];
  for (let page = await client.search({ resourceType, searchParams }); page; page = await client.nextPage({ bundle: page })) {
    found.push(...(page.entry ?? []).map((e) => e.resource));
  }
  return found;
}

const identifiers = (resources) => resources.map((r) => r.identifier[0].value).sort();

for (const a of await all('Appointment', { date: [`ge${from}`, `lt${to}`] })) {
  const patient = a.participant.map((p) => p.actor?.reference).find((r) => r?.startsWith('Patient/'));
  const flags = patient ? await all('Flag', { patient }) : [];
  const tasks = await all('Task', { focus: `Appointment/${a.id}` });
  console.log(JSON.stringify({
    appointment: a.id,
    flags: identifiers(flags.filter((f) => f.status === 'active')),
    tasks: identifiers(tasks.filter((t) => t.status === 'requested')),
  }));
}
