// How often a second one rule (tamsulosin at any time) is answered for a Bundle, from its text on, in CQL and in FHIRPath.
//
//   node speed.mjs BUNDLE.JSON [SECONDS]     seconds for each, 5 if not given
//
// Prints {"cql":<evaluations per second>,"fhirpath":<evaluations per second>}. Both must give the same answer.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { evaluator, translate } from './engine.mjs';

const require = createRequire(import.meta.url);
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const read = (name) => readFileSync(new URL(name, import.meta.url), 'utf8');
const text = readFileSync(process.argv[2], 'utf8');
const seconds = Number(process.argv[3] ?? 5);

const everything = evaluator(translate(read('tamsulosin-ever.cql')));
const byCql = async () => (await everything(JSON.parse(text)))['Tamsulosin Ever'];
const path = fhirpath.compile(read('tamsulosin-ever.fhirpath'), r4);
const byFhirpath = () => path(JSON.parse(text))[0];

async function perSecond(answer) {
  const from = performance.now();
  let times = 0;
  do {
    await answer();
    times++;
  } while (performance.now() - from < seconds * 1000);
  return Math.round((times / (performance.now() - from)) * 1e4) / 10;
}

// These first answers are also the warm-up.
for (let i = 0; i < 20; i++) {
  if (await byCql() !== byFhirpath()) {
    throw new Error('CQL and FHIRPath disagree');
  }
}
console.log(JSON.stringify({ cql: await perSecond(byCql), fhirpath: await perSecond(byFhirpath) }));
