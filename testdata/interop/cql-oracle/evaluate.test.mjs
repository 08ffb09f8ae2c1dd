// Hand-made patients (invented) and what each puts at risk: node --test
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { test } from 'node:test';

const RXNORM = 'http://www.nlm.nih.gov/research/umls/rxnorm';
const ATC = 'http://www.whocc.no/atc';
const SNOMED = 'http://snomed.info/sct';
const ICD10CM = 'http://hl7.org/fhir/sid/icd-10-cm';
const OPCS4 = 'https://fhir.hl7.org.uk/Id/opcs-4';
const DICOM = 'http://dicom.nema.org/resources/dicom-elements';
const UCUM = 'http://unitsofmeasure.org';

const concept = (...codings) => ({ coding: codings.map(([system, code]) => ({ system, code })) });
const right = concept([SNOMED, '24028007']);
const left = concept([SNOMED, '7771000']);
const bothEyes = concept([SNOMED, '51440002']);

const START = '2026-03-01T00:30:00+01:00';
const tamsulosin = concept([RXNORM, '77492']);
const request = (medicationCodeableConcept, more) => ({ resourceType: 'MedicationRequest', status: 'active', intent: 'order', medicationCodeableConcept, ...more });
const statement = (more) => ({ resourceType: 'MedicationStatement', status: 'active', medicationCodeableConcept: tamsulosin, ...more });
const dispense = (more) => ({ resourceType: 'MedicationDispense', status: 'completed', medicationCodeableConcept: tamsulosin, ...more });
const administration = (more) => ({ resourceType: 'MedicationAdministration', status: 'completed', medicationCodeableConcept: tamsulosin, ...more });
const condition = (system, code, more) => ({ resourceType: 'Condition', code: concept([system, code]), ...more });
const procedure = (system, code, more) => ({ resourceType: 'Procedure', status: 'completed', code: concept([system, code]), ...more });
const pupil = (value, effectiveDateTime, bodySite, more) => ({
  resourceType: 'Observation',
  status: 'final',
  code: concept([DICOM, '0022000E']),
  valueQuantity: { value, unit: 'mm', system: UCUM, code: 'mm' },
  ...(effectiveDateTime && { effectiveDateTime }),
  ...(bodySite && { bodySite }),
  ...more,
});
const verified = (code) => ({ verificationStatus: concept(['http://terminology.hl7.org/CodeSystem/condition-ver-status', code]) });
const drops = (medication, ...dosageInstruction) => request(medication, { dosageInstruction });
const pilocarpine = concept([RXNORM, '8328']);

// name, record, expected: R, L or RL by factor; a factor not named is expected in neither eye.
const cases = [
  ['an empty record', [], {}],
  ['stopped tamsulosin, long ago, year only', [request(tamsulosin, { status: 'stopped', authoredOn: '2011' })], { tamsulosin: 'RL' }],
  ['undated', [request(tamsulosin)], { tamsulosin: 'RL' }],
  ['not asked for after all', ['cancelled', 'draft', 'entered-in-error'].map((status) => request(tamsulosin, { status })), {}],
  ['proposal, plan, prohibition', [request(tamsulosin, { intent: 'proposal' }), request(tamsulosin, { intent: 'plan' }), request(tamsulosin, { doNotPerform: true })], {}],
  ['request after the start', [request(tamsulosin, { authoredOn: '2026-03-01T00:30:01+01:00' })], {}],
  ['request at the start, in another zone', [request(tamsulosin, { authoredOn: '2026-02-28T23:30:00Z' })], { tamsulosin: 'RL' }],
  ['request on the day of the operation, as read there', [request(tamsulosin, { authoredOn: '2026-03-01' })], { tamsulosin: 'RL' }],
  ['request on the day after', [request(tamsulosin, { authoredOn: '2026-03-02' })], {}],
  ['request in the month of the operation', [request(tamsulosin, { authoredOn: '2026-03' })], { tamsulosin: 'RL' }],
  ['request in the month after', [request(tamsulosin, { authoredOn: '2026-04' })], {}],
  ['statement not taken', [statement({ status: 'not-taken' }), statement({ status: 'entered-in-error' })], {}],
  ['statement with a period that began before', [statement({ effectivePeriod: { start: '2026-02', end: '2027' } })], { tamsulosin: 'RL' }],
  ['statement with a period that begins after', [statement({ effectivePeriod: { start: '2026-04' }, dateAsserted: '2026-01-01' })], {}],
  ['statement with an ended period of unknown start', [statement({ effectivePeriod: { end: '2020' }, dateAsserted: '2026-04-01' })], { tamsulosin: 'RL' }],
  ['statement asserted after', [statement({ dateAsserted: '2026-04-01' })], {}],
  ['dispense handed over after, prepared before', [dispense({ whenHandedOver: '2026-03-03', whenPrepared: '2026-02-27' })], {}],
  ['dispense prepared before', [dispense({ status: 'stopped', whenPrepared: '2026-02-27' })], { tamsulosin: 'RL' }],
  ['dispense declined', [dispense({ status: 'declined' }), dispense({ status: 'on-hold' })], {}],
  ['administration', [administration({ status: 'in-progress', effectiveDateTime: '2026-02-28T10:00:00Z' })], { tamsulosin: 'RL' }],
  ['administration not done', [administration({ status: 'not-done' })], {}],
  ['combination counts for its parts', [request(concept([ATC, 'G04CA52']))], { tamsulosin: 'RL', 'five-alpha-reductase': 'RL' }],
  ['alfuzosin with finasteride', [request(concept([ATC, 'G04CA51']))], { 'alpha1-other': 'RL', 'five-alpha-reductase': 'RL' }],
  ['right code in the wrong system', [request(concept([ATC, '77492'])), request(concept([RXNORM, 'G04CA02']))], {}],
  ['other drugs by name', [request(concept([RXNORM, '720825'])), request(concept([ATC, 'N05AH04']))], { silodosin: 'RL', 'antipsychotic-named': 'RL' }],
  ['near misses', [request(concept([ATC, 'C02CA03'])), request(concept([ATC, 'N05AH03'])), request(concept([ATC, 'G04CA'])), request(concept([ATC, 'S01EB09']))], {}],
  ['medication by relative reference', [{ resourceType: 'Medication', id: 'med', code: tamsulosin }, request(undefined, { medicationReference: { reference: 'Medication/med' } })], { tamsulosin: 'RL' }],
  ['medication by fullUrl', [{ fullUrl: 'urn:uuid:0b2e5d1c-0000-4000-8000-000000000001', resourceType: 'Medication', code: tamsulosin }, request(undefined, { medicationReference: { reference: 'urn:uuid:0b2e5d1c-0000-4000-8000-000000000001' } })], { tamsulosin: 'RL' }],
  ['medication contained', [request(undefined, { contained: [{ resourceType: 'Medication', id: 'm', code: tamsulosin }], medicationReference: { reference: '#m' } })], { tamsulosin: 'RL' }],
  ['medication with ingredients', [{ resourceType: 'Medication', id: 'med', ingredient: [{ itemCodeableConcept: tamsulosin }, { itemCodeableConcept: concept([RXNORM, '228790']) }] }, statement({ medicationCodeableConcept: undefined, medicationReference: { reference: 'Medication/med/_history/2' } })], { tamsulosin: 'RL', 'five-alpha-reductase': 'RL' }],
  ['medication that nobody takes', [{ resourceType: 'Medication', id: 'med', code: tamsulosin }], {}],

  ['pilocarpine, site not said', [request(pilocarpine)], { 'pilocarpine-drops': 'RL' }],
  ['pilocarpine in the left eye', [drops(pilocarpine, { site: left })], { 'pilocarpine-drops': 'L' }],
  ['pilocarpine right, then left', [drops(pilocarpine, { site: right }, { site: left })], { 'pilocarpine-drops': 'RL' }],
  ['pilocarpine tablets', [request(concept([RXNORM, '1000913'])), request(concept([RXNORM, '8328'], [ATC, 'N07AX01'])), drops(pilocarpine, { route: concept([SNOMED, '26643006']) })], {}],
  ['pilocarpine administered in the right eye', [administration({ medicationCodeableConcept: concept([ATC, 'S01EB01']), dosage: { site: right } })], { 'pilocarpine-drops': 'R' }],
  ['carbachol', [request(concept([ATC, 'S01EB02']))], { 'other-miotic-drops': 'RL' }],

  ['side from ICD-10-CM', [condition(ICD10CM, 'H20.012'), condition(ICD10CM, 'H40.1411')], { uveitis: 'L', pseudoexfoliation: 'R' }],
  ['side from a SNOMED code', [condition(SNOMED, '678211000119100')], { rubeosis: 'R' }],
  ['side from bodySite', [condition(SNOMED, '77971008', { bodySite: [right] })], { uveitis: 'R' }],
  ['both eyes by bodySite', [condition(SNOMED, '77971008', { bodySite: [bothEyes] })], { uveitis: 'RL' }],
  ['eye and side apart', [condition(SNOMED, '77971008', { bodySite: [concept([SNOMED, '81745001']), left] })], { uveitis: 'L' }],
  ['side not known', [condition(ICD10CM, 'H21.549')], { 'posterior-synechiae': 'RL' }],
  ['bodySite in words only', [condition(ICD10CM, 'H21.54', { bodySite: [{ text: 'oculus sinister' }] })], { 'posterior-synechiae': 'RL' }],
  ['unspecified eye made good by bodySite', [condition(ICD10CM, 'H21.549', { bodySite: [left] })], { 'posterior-synechiae': 'L' }],
  ['post-coordinated site', [condition(SNOMED, '77971008', { bodySite: [concept([SNOMED, '81745001:272741003=7771000'])] })], { uveitis: 'L' }],
  ['code and site that contradict', [condition(ICD10CM, 'H21.541', { bodySite: [left] })], { 'posterior-synechiae': 'RL' }],
  ['floppy iris in the right eye', [condition(ICD10CM, 'H21.81', { bodySite: [right] })], { 'ifis-recorded': 'RL' }],
  ['plateau iris is not floppy', [condition(ICD10CM, 'H21.82'), condition('http://hl7.org/fhir/sid/icd-10', 'H21.8')], {}],
  ['refuted or wrong', [condition(ICD10CM, 'H20.011', verified('refuted')), condition(ICD10CM, 'H21.81', verified('entered-in-error'))], {}],
  ['healed', [condition(ICD10CM, 'H20.011', { clinicalStatus: concept(['http://terminology.hl7.org/CodeSystem/condition-clinical', 'resolved']), abatementDateTime: '2001', ...verified('confirmed') })], { uveitis: 'R' }],
  ['recorded after, onset unknown', [condition(ICD10CM, 'H20.011', { recordedDate: '2026-03-02' })], {}],
  ['onset and record after', [condition(ICD10CM, 'H20.011', { onsetDateTime: '2026-04', recordedDate: '2026-04-02' })], {}],
  ['onset before, recorded after', [condition(ICD10CM, 'H20.011', { onsetPeriod: { start: '2025' }, recordedDate: '2026-04-02' })], { uveitis: 'R' }],
  ['onset as an age', [condition(ICD10CM, 'H20.011', { onsetAge: { value: 40, system: UCUM, code: 'a' } })], { uveitis: 'R' }],
  ['acute angle closure and its neighbours', [condition(ICD10CM, 'H40.212'), condition(ICD10CM, 'H40.231'), condition(ICD10CM, 'H40.2211'), condition(SNOMED, '65460003')], { 'acute-angle-closure': 'L' }],
  ['bleb as a status', [condition(ICD10CM, 'Z98.83')], { 'filtering-surgery': 'RL' }],

  ['OPCS-4 with a side', [{ resourceType: 'Procedure', status: 'completed', code: concept([OPCS4, 'C60.1'], [OPCS4, 'Z94.2']) }], { 'filtering-surgery': 'R' }],
  ['OPCS-4 with a side as its site', [procedure(OPCS4, 'C62.3', { bodySite: [concept([OPCS4, 'Z94.3'])] })], { iridotomy: 'L' }],
  ['ICD-10-PCS', [procedure('http://www.cms.gov/Medicare/Coding/ICD10', '08T53ZZ', { performedDateTime: '2020-01-01' })], { vitrectomy: 'L' }],
  ['procedure not done, or not yet', [procedure(OPCS4, 'C79.2', { status: 'not-done' }), procedure(OPCS4, 'C79.2', { status: 'preparation' }), procedure(OPCS4, 'C79.2', { performedPeriod: { start: '2026-03-02' } })], {}],
  ['other operations on the iris', [procedure(OPCS4, 'C60.3'), procedure(OPCS4, 'C62.9'), procedure(OPCS4, 'C61.1')], {}],

  ['small pupil', [pupil(5, '2026-02-01', right)], { 'dilated-pupil-5-or-less': 'R' }],
  ['middling pupil', [pupil(5.01, '2026-02-01', right), pupil(6, '2026-02-01', left)], { 'dilated-pupil-over-5-to-6': 'RL' }],
  ['wide pupil', [pupil(6.01, '2026-02-01')], {}],
  ['small once is small', [pupil(4.9, '2020', left), pupil(7, '2026-02-01', left)], { 'dilated-pupil-5-or-less': 'L' }],
  ['middling once, wide later', [pupil(5.5, '2020', left), pupil(7, '2026-02-01', left)], {}],
  ['wide once, middling later', [pupil(7, '2020', left), pupil(5.5, '2026-02-01', left)], { 'dilated-pupil-over-5-to-6': 'L' }],
  ['wide without a date', [pupil(7, undefined, left), pupil(5.5, '2020', left)], { 'dilated-pupil-over-5-to-6': 'L' }],
  ['middling without a date', [pupil(5.5, undefined, left), pupil(7, '2026-02-01', left)], { 'dilated-pupil-over-5-to-6': 'L' }],
  ['latest in vague dates', [pupil(5.5, '2026-02', left), pupil(7, '2026-02-10', left), pupil(5.5, '2026-01', right), pupil(7, '2026-02', right)], { 'dilated-pupil-over-5-to-6': 'L' }],
  ['the latest at one moment', [pupil(7, '2026-02-01', left), pupil(5.5, '2026-02-01', left)], { 'dilated-pupil-over-5-to-6': 'L' }],
  ['eye not said', [pupil(4, '2026-02-01')], { 'dilated-pupil-5-or-less': 'RL' }],
  ['in centimetres', [pupil(0.5, '2026-02-01', right, { valueQuantity: { value: 0.5, system: UCUM, code: 'cm' } }), pupil(0.6, '2026-02-01', left, { valueQuantity: { value: 0.6, system: UCUM, code: 'cm' } })], { 'dilated-pupil-5-or-less': 'R', 'dilated-pupil-over-5-to-6': 'L' }],
  ['no size', [pupil(0.99, '2026-02-01'), pupil(12.01, '2026-02-01'), pupil(4, '2026-02-01', right, { valueQuantity: { value: 4, unit: 'mm' } }), pupil(4, '2026-02-01', right, { valueQuantity: { value: 4, system: UCUM, code: 'm' } })], {}],
  ['measured after', [pupil(4, '2026-03-01T09:00:00+01:00')], {}],
  ['withdrawn', [pupil(4, '2026-02-01', right, { status: 'entered-in-error' }), pupil(4, '2026-02-01', right, { status: 'registered' })], {}],
  ['pupil not dilated', [pupil(4, '2026-02-01', right, { code: concept(['http://loinc.org', '95315-8']) })], {}],
  ['more than, less than', [pupil(5, '2026-02-01', right, { valueQuantity: { value: 5, comparator: '>', system: UCUM, code: 'mm' } }), pupil(4, '2026-02-01', left, { valueQuantity: { value: 4, comparator: '<', system: UCUM, code: 'mm' } })], { 'dilated-pupil-5-or-less': 'L' }],
];

const bundle = (id, record) => ({
  resourceType: 'Bundle',
  type: 'collection',
  entry: [
    { resource: { resourceType: 'Patient', id } },
    { resource: { resourceType: 'Appointment', id: 'operation', status: 'booked', start: START } },
    ...record.map(({ fullUrl, ...resource }) => ({ fullUrl, resource })),
  ],
});

const run = (lines) => spawnSync(process.execPath, [fileURLToPath(new URL('evaluate.mjs', import.meta.url))], { input: `${lines.join('\n')}\n`, encoding: 'utf8', maxBuffer: 1 << 26 });

const evaluated = run(cases.map(([, record], i) => JSON.stringify(bundle(`p${i}`, record))));
const answers = evaluated.stdout.trim().split('\n').map((line) => JSON.parse(line));

cases.forEach(([name, , expected], i) => test(name, () => {
  const { patient, factors } = answers[i];
  assert.equal(patient, `p${i}`);
  const told = Object.fromEntries(Object.entries(factors).map(([factor, eyes]) => {
    assert.equal(typeof eyes.right, 'boolean');
    assert.equal(typeof eyes.left, 'boolean');
    return [factor, (eyes.right ? 'R' : '') + (eyes.left ? 'L' : '')];
  }).filter(([, eyes]) => eyes !== ''));
  assert.deepEqual(told, expected);
}));

// Every code of the lists, alone in a record, and every one that must not count.
const lists = (name) => JSON.parse(readFileSync(new URL(name, import.meta.url), 'utf8'));
const recordOf = (factor, { system, code }) => {
  if (factor.startsWith('dilated-pupil')) {
    return pupil(factor.endsWith('less') ? 4 : 5.5, '2026-02-01', undefined, { code: concept([system, code]) });
  }
  return system === RXNORM || system === ATC || code.startsWith('3725') || code.startsWith('3959')
    ? request(concept([system, code])) : condition(system, code);
};
const singles = (name) => Object.entries(lists(name)).flatMap(([factor, codes]) => codes.map((code) => ({ factor, code })));
const answerSingles = (all) => run(all.map(({ factor, code }, i) => JSON.stringify(bundle(`p${i}`, [recordOf(factor, code)]))))
  .stdout.trim().split('\n').map((line, i) => JSON.parse(line).factors[all[i].factor]);

test('every code of a factor counts on its side', () => {
  const all = singles('codes.json');
  assert.ok(all.length > 300);
  answerSingles(all).forEach((eyes, i) => {
    const { factor, code } = all[i];
    const side = factor === 'ifis-recorded' ? 'both' : code.side;
    assert.deepEqual(eyes, { right: side !== 'left', left: side !== 'right' }, `${factor} ${code.system}|${code.code}`);
  });
});

test('no near miss counts', () => {
  const all = singles('near-misses.json');
  answerSingles(all).forEach((eyes, i) => assert.deepEqual(eyes, { right: false, left: false }, `${all[i].factor} ${all[i].code.code}`));
});

test('one line for each, and status 0', () => {
  assert.equal(answers.length, cases.length);
  assert.equal(evaluated.status, 0, evaluated.stderr);
});

test('what cannot be told is said, and the rest still answered', () => {
  const withoutAppointment = bundle('q', []);
  withoutAppointment.entry.splice(1, 1);
  const got = run(['{', '{"resourceType":"Bundle"}', JSON.stringify(withoutAppointment), JSON.stringify(bundle('r', []))]);
  assert.equal(got.status, 1);
  const [first, second, third, fourth] = got.stdout.trim().split('\n').map((line) => JSON.parse(line));
  assert.equal(first.error, 'not JSON');
  assert.equal(second.error, 'not a Bundle with one Patient that has an id');
  assert.deepEqual(third, { patient: 'q', error: 'no Appointment with a start' });
  assert.ok(fourth.factors);
});
