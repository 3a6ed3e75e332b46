// Builds dist/: the compiled library and command line, the program of the report page in one file, and the JSON Schemas of the
// documents we publish. Before that it compiles the WebAssembly (AssemblyScript) into src/bytes/wasm-modules.ts, which is kept in
// git: its sources run without a build, too.
import { execFileSync } from 'node:child_process';
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { buildSync } from 'esbuild';

const root = fileURLToPath(new URL('..', import.meta.url));
const dist = `${root}dist`;
buildWasmModules();
rmSync(dist, { recursive: true, force: true });
buildPage();
execFileSync(process.execPath, [`${root}node_modules/typescript/bin/tsc`, '-p', `${root}src`], { stdio: 'inherit' });
buildProgram('workers/decode-thread', 'bundle');
buildProgram('media/draw-thread', 'external');
buildProgram('cli/main', 'external');
mkdirSync(dist, { recursive: true });

const { missionSchema } = await import('./mission/schema.js');
const { coverageSchema } = await import('./report/coverage-schema.js');
const { z } = await import('zod');
for (const [name, schema] of Object.entries({ mission: missionSchema, coverage: coverageSchema })) {
  writeFileSync(`${dist}/${name}.schema.json`, `${JSON.stringify(z.toJSONSchema(schema, { io: 'input' }), null, 2)}\n`);
}

function buildWasmModules(): void {
  const modules = {
    FRAMES_MODULE: compileWasm('frames', ['simd', 'threads']),
    BYTES_MODULE: compileWasm('bytes', ['threads']),
  };
  const lines = Object.entries(modules).map(([name, text]) => `export const ${name}: string =\n  '${text}';\n`);
  const content = `// Made by src/build.ts from wasm/: WebAssembly in base64.\n${lines.join('\n')}`;
  const target = `${root}src/bytes/wasm-modules.ts`;
  if (!existsSync(target) || readFileSync(target, 'utf8') !== content) writeFileSync(target, content);
}

/** @returns base64 */
function compileWasm(name: string, features: readonly string[]): string {
  const work = mkdtempSync(path.join(tmpdir(), 'passweave-build-'));
  const binary = path.join(work, `${name}.wasm`);
  const options =
    '-O3 --noAssert --runtime stub --importMemory --sharedMemory --initialMemory 1024 --maximumMemory 1024';
  const compiler = `${root}node_modules/assemblyscript/bin/asc.js`;
  const enabled = features.flatMap((feature) => ['--enable', feature]);
  const source = `${root}src/bytes/wasm/${name}.ts`;
  execFileSync(process.execPath, [compiler, source, ...options.split(' '), ...enabled, '-o', binary], {
    stdio: 'inherit',
  });
  const text = readFileSync(binary).toString('base64');
  rmSync(work, { recursive: true });
  return text;
}

/** In one file: it starts in half the time. What it loads beside itself it names by folder and file. */
function buildProgram(name: string, packages: 'bundle' | 'external'): void {
  buildSync({
    entryPoints: [`${root}src/${name}.ts`],
    outfile: `${dist}/${name}.js`,
    bundle: true,
    packages,
    platform: 'node',
    format: 'esm',
    target: 'node20',
    legalComments: 'inline',
  });
}

function buildPage(): void {
  const license = readFileSync(`${root}node_modules/preact/LICENSE`, 'utf8').trim();
  buildSync({
    entryPoints: ['report-page', 'live-page'].map((name) => `${root}src/web/views/${name}.ts`),
    outdir: `${dist}/web`,
    bundle: true,
    minify: true,
    format: 'esm',
    target: 'es2022',
    jsx: 'automatic',
    jsxImportSource: 'preact',
    banner: { js: `/*! With preact:\n${license}\n*/` },
  });
}
