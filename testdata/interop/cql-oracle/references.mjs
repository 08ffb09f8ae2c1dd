// Makes the medication references of a Bundle readable to CQL, which knows neither fullUrl nor contained resources: every
// Medication becomes an entry of its own and every reference to one reads Medication/<id>. Changes the Bundle.
const drugRecords = new Set(['MedicationRequest', 'MedicationStatement', 'MedicationDispense', 'MedicationAdministration']);

export function resolveMedications(bundle) {
  const entries = bundle.entry.filter((e) => e.resource);
  const byAddress = new Map();
  entries.forEach(({ fullUrl, resource }, i) => {
    if (resource.resourceType !== 'Medication') {
      return;
    }
    resource.id ??= `entry-${i}`;
    if (fullUrl) {
      byAddress.set(fullUrl, resource.id);
    }
  });

  const hoisted = [];
  entries.forEach(({ resource }, i) => {
    if (!drugRecords.has(resource.resourceType)) {
      return;
    }
    const contained = (resource.contained ?? []).filter((c) => c.resourceType === 'Medication');
    const hoistedId = (id) => `entry-${i}-${id}`;
    for (const medication of contained) {
      hoisted.push({ resource: { ...medication, id: hoistedId(medication.id) } });
    }
    const reference = resource.medicationReference;
    if (!reference?.reference) {
      return;
    }
    const address = reference.reference;
    const id = address.startsWith('#') ? hoistedId(address.slice(1))
      : byAddress.get(address) ?? /(?:^|\/)Medication\/([^/]+)(?:\/_history\/[^/]+)?$/.exec(address)?.[1];
    if (id !== undefined) {
      reference.reference = `Medication/${id}`;
    }
  });
  bundle.entry = [...entries, ...hoisted];
}
