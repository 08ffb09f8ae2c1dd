// Draws the code lists of the factors from the project's table of codes.
//
//   node generate-codes.mjs CODES.CSV
//
// Writes factor-codes.cql (read by factors.cql), codes.json, near-misses.json and FACTORS.md beside itself. The side that a
// code implies is read from the words of its display: right, left, bilateral.
import { readFileSync, writeFileSync } from 'node:fs';

const SNOMED = 'http://snomed.info/sct';
const ICD10CM = 'http://hl7.org/fhir/sid/icd-10-cm';
const ICD10 = 'http://hl7.org/fhir/sid/icd-10';
const RXNORM = 'http://www.nlm.nih.gov/research/umls/rxnorm';
const OPCS4 = 'https://fhir.hl7.org.uk/Id/opcs-4';
const DICOM = 'http://dicom.nema.org/resources/dicom-elements';
const V2_SITE = 'http://terminology.hl7.org/CodeSystem/v2-0163';
const V3_ROUTE = 'http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration';

const uveitis = ['uveitis', 'uveitis-acute', 'uveitis-chronic', 'uveitis-lens-induced', 'uveitis-fuchs', 'uveitis-vkh', 'uveitis-unspecified'];
const tamsulosinWith = (part) => `fixed-combination-tamsulosin-${part}`;

// concepts: the column concept. only: which of their rows. near: concepts whose rows must not count, though they stand close.
const factors = {
  tamsulosin: { concepts: ['tamsulosin', tamsulosinWith('dutasteride'), tamsulosinWith('solifenacin'), tamsulosinWith('tadalafil')], near: ['class-alpha1-urology'] },
  silodosin: { concepts: ['silodosin'], near: ['class-alpha1-urology'] },
  'alpha1-other': {
    concepts: ['alfuzosin', 'doxazosin', 'terazosin', 'prazosin', 'fixed-combination-alfuzosin-finasteride', 'fixed-combination-doxazosin-finasteride'],
    near: ['trimazosin', 'urapidil', 'indoramin', 'naftopidil', 'ketanserin', 'phenoxybenzamine', 'phentolamine', 'labetalol', 'carvedilol', 'class-alpha1-cardio', 'class-alpha1-urology', 'alpha-blocker-adverse-effect'],
  },
  'five-alpha-reductase': {
    concepts: ['finasteride', 'dutasteride', tamsulosinWith('dutasteride'), 'fixed-combination-alfuzosin-finasteride', 'fixed-combination-doxazosin-finasteride'],
    near: ['class-5ari', 'bph'],
  },
  'antipsychotic-named': {
    concepts: ['risperidone', 'paliperidone', 'quetiapine', 'chlorpromazine'],
    near: ['antipsychotic-other', 'aripiprazole', 'clozapine', 'zuclopenthixol', 'class-antipsychotics'],
  },
  'pilocarpine-drops': { concepts: ['pilocarpine'], near: ['pilocarpine-oral', 'class-miotics', 'dapiprazole', 'prep-atropine', 'prep-tropicamide'] },
  'other-miotic-drops': { concepts: ['carbachol', 'echothiophate', 'demecarium', 'aceclidine', 'physostigmine-eye', 'fluostigmine-eye'], near: ['pilocarpine-oral', 'class-miotics', 'dapiprazole'] },
  pseudoexfoliation: { concepts: ['pseudoexfoliation-glaucoma'], near: ['glaucoma'] },
  uveitis: { concepts: uveitis, near: ['uveitic-glaucoma'] },
  'posterior-synechiae': { concepts: ['posterior-synechiae'], near: ['anterior-synechiae', 'goniosynechiae', 'iris-adhesion-unspecified', 'pupillary-membrane'] },
  'filtering-surgery': { concepts: ['filtering-surgery', 'drainage-device', 'filtering-surgery-status'], near: ['angle-surgery', 'laser-trabeculoplasty', 'iris-surgery'] },
  vitrectomy: { concepts: ['vitrectomy'], near: [] },
  'ifis-recorded': { concepts: ['ifis-history'], only: (r) => r.system === ICD10CM, near: ['plateau-iris', 'iris-disorder', 'iris-atrophy'] },
  iridotomy: { concepts: ['laser-iridotomy', 'surgical-iridotomy'], near: ['iris-surgery', 'iris-trauma', 'laser-trabeculoplasty'] },
  rubeosis: { concepts: ['iris-rubeosis'], near: ['iris-disorder', 'iris-atrophy'] },
  'acute-angle-closure': { concepts: ['angle-closure'], only: (r) => /\bacute angle-closure\b/i.test(r.display), near: ['narrow-angle'] },
  'dilated-pupil-5-or-less': { concepts: ['dilated-pupil-diameter'], only: (r) => r.system === DICOM && r.display === 'Degree of Dilation', near: ['pupil-diameter', 'pupil-response', 'pupil-shape', 'miosis'] },
};
factors['dilated-pupil-over-5-to-6'] = factors['dilated-pupil-5-or-less'];

const doubts = {
  'posterior-synechiae': `\`${ICD10}|H21.5\` covers anterior synechiae and iridodialysis too; it counts because the table files it here.`,
  'ifis-recorded': `\`${ICD10}|H21.8\` does not count: the table says never to infer a floppy iris from it.`,
  iridotomy: 'The ICD-10-PCS codes (destruction of iris) are marked as not settled in the table; they count. Unspecified incision of iris (OPCS-4 C62.8, C62.9) and iridosclerotomy do not.',
  rubeosis: `\`${SNOMED}|193501009\` and H21.1 say vascular disorder of iris and ciliary body, which is wider than rubeosis; they count because the table files them here.`,
  'acute-angle-closure': 'Only what is called acute. Intermittent, chronic, residual and unspecified angle closure, and WHO H40.2, do not count.',
  uveitis: `Fuchs and Vogt-Koyanagi count. \`${SNOMED}|6395007\` (hypopyon ulcer) is a disease of the cornea but stands in the table's list. Glaucoma after inflammation (WHO H40.4) does not count.`,
  pseudoexfoliation: 'The table knows no code for pseudoexfoliation without glaucoma, and WHO ICD-10 none at all.',
  'filtering-surgery': 'Drainage tubes and the status code Z98.83 (a Condition, eye not stated) count. Goniotomy, trabeculotomy, canaloplasty and laser trabeculoplasty do not.',
  'pilocarpine-drops': `\`${RXNORM}|8328\` is the bare ingredient: it counts unless the record says oral route or carries an oral code as well.`,
  'other-miotic-drops': 'Not asked for by name: the other miotics of the eye, kept apart so that a comparison can join them with pilocarpine or leave them out. The bare class code and S01EB09 (acetylcholine, given in theatre) do not count.',
  'alpha1-other': 'Trimazosin and the bare class codes do not count.',
  'dilated-pupil-5-or-less': 'The only code of the table that carries a size in a pupil said to be dilated. 0022000D (yes or no) and 0022001C (the drops) carry none.',
};

// Sites: the sides of bodySite, Dosage.site and of OPCS-4 supplementary codes.
const sites = [
  [SNOMED, '24028007', 'right'], [SNOMED, '7771000', 'left'], [SNOMED, '51440002', 'both'],
  [SNOMED, '18944008', 'right'], [SNOMED, '8966001', 'left'], [SNOMED, '40638003', 'both'],
  [SNOMED, '362502000', 'right'], [SNOMED, '362503005', 'left'], [SNOMED, '362508001', 'both'],
  [SNOMED, '419465000', 'right'], [SNOMED, '419161000', 'left'], [SNOMED, '28153001', 'left'],
  [V2_SITE, 'OD', 'right'], [V2_SITE, 'OS', 'left'], [V2_SITE, 'OU', 'both'],
  [OPCS4, 'Z94.2', 'right'], [OPCS4, 'Z94.3', 'left'], [OPCS4, 'Z94.1', 'both'],
].map(([system, code, side]) => ({ system, code, side }));

const oralRoutes = [{ system: SNOMED, code: '26643006', side: '' }, { system: V3_ROUTE, code: 'PO', side: '' }];

function parseCsv(text) {
  const rows = [];
  let row = [''];
  let quoted = false;
  for (let i = 0; i < text.length; i++) {
    const c = text[i];
    if (quoted && c === '"' && text[i + 1] === '"') {
      row[row.length - 1] += '"';
      i++;
    } else if (c === '"') {
      quoted = !quoted;
    } else if (!quoted && c === ',') {
      row.push('');
    } else if (!quoted && c === '\n') {
      rows.push(row);
      row = [''];
    } else if (quoted || c !== '\r') {
      row[row.length - 1] += c;
    }
  }
  const [header, ...body] = rows;
  return body.map((cells) => Object.fromEntries(header.map((name, i) => [name, cells[i] ?? ''])));
}

const sideOf = (display) => {
  const right = /\bright\b/i.test(display);
  const left = /\bleft\b/i.test(display);
  if (/\bbilateral\b/i.test(display) || (right && left)) {
    return 'both';
  }
  return right ? 'right' : left ? 'left' : '';
};

const key = (c) => `${c.system}|${c.code}`;
const distinct = (codes) => [...new Map(codes.map((c) => [key(c), c])).values()];
const coded = (r) => r.code !== '' && r.system.includes('://');
// Two codes that the table has from memory are none: their check digit is wrong. The true ones stand in CH Term of HL7
// Switzerland (hl7ch/ch-term, active pharmaceutical ingredients).
const corrected = { [`${SNOMED}|372509001`]: '372509005', [`${SNOMED}|372508009`]: '372508002' };
const toCode = (r) => ({ system: r.system, code: corrected[key(r)] ?? r.code, side: sideOf(r.display) });

const table = parseCsv(readFileSync(process.argv[2], 'utf8')).filter(coded);
const rowsOf = (concepts) => table.filter((r) => concepts.includes(r.concept));

const codes = {};
const nearMisses = {};
for (const [name, { concepts, only = () => true, near }] of Object.entries(factors)) {
  codes[name] = distinct(rowsOf(concepts).filter(only).map(toCode));
  const own = new Set(codes[name].map(key));
  nearMisses[name] = distinct(rowsOf([...concepts, ...near]).map(toCode)).filter((c) => !own.has(key(c)));
}

const everyCode = distinct([...sites, ...Object.values(codes).flat()]);
const onSide = (side) => everyCode.filter((c) => c.side === side || c.side === 'both');
const cqlLists = {
  ...codes,
  'oral pilocarpine': distinct(rowsOf(['pilocarpine-oral']).map(toCode)),
  'oral route': oralRoutes,
  'right side': onSide('right'),
  'left side': onSide('left'),
};

const here = (name) => new URL(name, import.meta.url);
const cql = Object.entries(cqlLists).map(([name, list]) => `define "${name}": {\n${list.map((c) => `  '${key(c)}'`).join(',\n')}\n}\n`);
writeFileSync(here('factor-codes.cql'), `// Generated by generate-codes.mjs from the table of codes: system|code.\nlibrary PupilFactorCodes version '1.0.0'\n\n${cql.join('\n')}`);

const asJson = (lists) => `{\n${Object.entries(lists).map(([name, list]) => `${JSON.stringify(name)}: [\n${list.map((c) => ` ${JSON.stringify(c)}`).join(',\n')}\n]`).join(',\n')}\n}\n`;
writeFileSync(here('codes.json'), asJson(codes));
writeFileSync(here('near-misses.json'), asJson(nearMisses));

const listed = (list) => [...new Set(list.map((c) => c.system))].map((system) => {
  const own = list.filter((c) => c.system === system);
  return `- ${system}: ${own.map((c) => c.code + (c.side ? ` (${c.side})` : '')).join(', ')}`;
}).join('\n');
writeFileSync(here('FACTORS.md'), `# What counts as each factor
Generated by generate-codes.mjs. A code stands with the side it implies, if any; the same lists are in codes.json. near-misses.json holds, for each
factor, codes of the table that stand close and must not count (for the pupil factors also codes that carry no size).

Codes match exactly as written, system and code; there is no matching by prefix or by text.

## Sites
Read in Condition, Procedure and Observation bodySite, in Dosage.site and among the codings of the code itself. Also a post-coordinated SNOMED site that
ends in \`:272741003=\` and 24028007, 7771000 or 51440002.
${listed(sites)}

Oral route (Dosage.route), for pilocarpine:
${listed(oralRoutes)}
${Object.entries(codes).map(([name, list]) => `\n## ${name}\n${doubts[name] ? `${doubts[name]}\n` : ''}${listed(list)}\n`).join('')}`);
