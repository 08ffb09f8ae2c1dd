// The CQL of this folder, translated once, and its evaluation on one patient's Bundle at a time.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import * as translator from '@cqframework/cql/cql-to-elm';

// A date without a zone is compared in that of the process.
process.env.TZ = 'UTC';

const require = createRequire(import.meta.url);
const cql = require('cql-execution');
const cqlFhir = require('cql-exec-fhir');

const read = (name) => readFileSync(new URL(name, import.meta.url), 'utf8');
const libraryFiles = { PupilFactorCodes: 'factor-codes.cql' };
const modelInfo = {
  FHIR: readFileSync(require.resolve('cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml'), 'utf8'),
  System: read('system-modelinfo.xml'),
};

// The translator greets on standard output, where only results may go.
function withoutGreeting(act) {
  const { write } = process.stdout;
  process.stdout.write = process.stderr.write.bind(process.stderr);
  try {
    return act();
  } finally {
    process.stdout.write = write;
  }
}

// The library that a CQL text makes, with those it includes; throws what the translator finds wrong.
export const translate = (text) => withoutGreeting(() => {
  const models = new translator.ModelManager();
  const source = (found) => (found === undefined ? null : translator.stringAsSource(found));
  models.modelInfoLoader.registerModelInfoProvider(translator.createModelInfoProvider((id) => source(modelInfo[id])), true);
  const libraries = new translator.LibraryManager(models);
  libraries.librarySourceLoader.registerProvider(translator.createLibrarySourceProvider((id) => source(libraryFiles[id] && read(libraryFiles[id]))));

  const toElm = (from) => {
    const translated = translator.CqlTranslator.fromText(from, libraries);
    const errors = translated.errors.asJsReadonlyArrayView();
    if (errors.length > 0) {
      throw new Error(`CQL: ${errors.map((e) => `${e.locator?.toLocator?.() ?? ''} ${e.message}`).join('\n')}`);
    }
    // without the marks by which the engine would keep every partial result
    return JSON.parse(translated.toJson(), (name, value) => (name === 'localId' ? undefined : value));
  };
  const included = Object.fromEntries(Object.entries(libraryFiles).map(([id, file]) => [id, toElm(read(file))]));
  return new cql.Library(toElm(text), new cql.Repository(included));
});

// Answers every expression of a library for the one patient of a Bundle.
export function evaluator(library) {
  const executor = new cql.Executor(library);
  const patients = cqlFhir.PatientSource.FHIRv401();
  return async (bundle) => {
    patients.reset();
    patients.loadBundles([bundle]);
    const { patientResults } = await executor.exec(patients);
    return Object.values(patientResults)[0];
  };
}
