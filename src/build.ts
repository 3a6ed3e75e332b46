// Builds dist/: the compiled library and command line, and the JSON Schemas of the documents we publish.
import { execFileSync } from 'node:child_process';
import { mkdirSync, rmSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const root = fileURLToPath(new URL('..', import.meta.url));
const dist = `${root}dist`;
rmSync(dist, { recursive: true, force: true });
execFileSync(process.execPath, [`${root}node_modules/typescript/bin/tsc`, '-p', `${root}src`], { stdio: 'inherit' });
mkdirSync(dist, { recursive: true });

const { missionSchema } = await import('./mission/schema.js');
const { coverageSchema } = await import('./report/coverage-schema.js');
const { z } = await import('zod');
for (const [name, schema] of Object.entries({ mission: missionSchema, coverage: coverageSchema })) {
  writeFileSync(`${dist}/${name}.schema.json`, `${JSON.stringify(z.toJSONSchema(schema, { io: 'input' }), null, 2)}\n`);
}
