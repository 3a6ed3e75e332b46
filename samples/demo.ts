// The main job on the sample recordings, as a user would run it: recover, then check the files against the true ones.
import { execFileSync, spawnSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

const root = fileURLToPath(new URL('..', import.meta.url));
const campaign = path.join(root, 'samples/dotterel');
const out = path.join(root, 'out');

fs.rmSync(out, { recursive: true, force: true });
const command = [
  'recover',
  'samples/dotterel/recordings',
  '--mission',
  'samples/dotterel/mission.yaml',
  '--out',
  'out',
];
process.stdout.write(`passweave ${command.join(' ')}\n\n`);
const run = spawnSync(process.execPath, [path.join(root, 'bin/passweave.js'), ...command], {
  cwd: root,
  stdio: 'inherit',
});
if (run.status !== 0) process.exit(run.status ?? 1);

const whole = fs
  .readdirSync(path.join(out, 'files'))
  .filter((name) => fs.existsSync(path.join(campaign, 'files', name)));
for (const name of whole) execFileSync('cmp', [path.join(out, 'files', name), path.join(campaign, 'files', name)]);
process.stdout.write(
  `\n${whole.length} files are byte for byte the true ones of samples/dotterel/files.\nOpen out/report.html in a browser.\n`,
);
