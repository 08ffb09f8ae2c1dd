// Tells the risk factors of each patient, by CQL.
//
//   node evaluate.mjs < NDJSON
//
// A line in: a FHIR R4 Bundle with one Patient, an Appointment with a start, and the record. A line out:
// {"patient":"<id>","factors":{"<factor>":{"right":true,"left":false},...}}. A line that cannot be told gives
// {"patient":...,"error":"<why>"} and exit status 1 at the end.
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { evaluator, translate } from './engine.mjs';
import { resolveMedications } from './references.mjs';

const factors = Object.keys(JSON.parse(readFileSync(new URL('codes.json', import.meta.url), 'utf8')));
const evaluate = evaluator(translate(readFileSync(new URL('factors.cql', import.meta.url), 'utf8')));

async function answer(line) {
  let bundle;
  try {
    bundle = JSON.parse(line);
  } catch {
    return { patient: null, error: 'not JSON' };
  }
  const patients = Array.isArray(bundle?.entry) ? bundle.entry.filter((e) => e.resource?.resourceType === 'Patient') : [];
  if (patients.length !== 1 || !patients[0].resource.id) {
    return { patient: null, error: 'not a Bundle with one Patient that has an id' };
  }
  const patient = patients[0].resource.id;
  try {
    resolveMedications(bundle);
    const found = await evaluate(bundle);
    if (found['Operation Start'] == null) {
      return { patient, error: 'no Appointment with a start' };
    }
    return { patient, factors: Object.fromEntries(factors.map((name) => [name, { right: found[name].right, left: found[name].left }])) };
  } catch (err) {
    return { patient, error: `CQL: ${err.name}` };
  }
}

for await (const line of createInterface({ input: process.stdin, crlfDelay: Infinity })) {
  if (line.trim() === '') {
    continue;
  }
  const told = await answer(line);
  if (told.error) {
    process.exitCode = 1;
  }
  if (!process.stdout.write(`${JSON.stringify(told)}\n`)) {
    await new Promise((drained) => { process.stdout.once('drain', drained); });
  }
}
