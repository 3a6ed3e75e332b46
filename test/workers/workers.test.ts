// Whatever the number of decoding threads, and with or without the fast CRC, the same comes out, byte for byte.
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import zlib from 'node:zlib';
import { expect, test } from 'vitest';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { noise } from '../layers/seeded.js';
import { missionText, scratchFolder } from '../ledger/material.js';
import { passweave, passweaveWith } from '../support/run.js';

const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));

/** All files below `folder` but for the ledger's, by name. */
function contents(folder: string): Map<string, string> {
  const names = fs.readdirSync(folder, { recursive: true, withFileTypes: true });
  return new Map(
    names
      .filter((entry) => entry.isFile())
      .map((entry) => path.relative(folder, path.join(entry.parentPath, entry.name)))
      .filter((name) => !name.startsWith('ledger'))
      .sort()
      .map((name) => [name, fs.readFileSync(path.join(folder, name), 'base64')]),
  );
}

function recover(args: readonly string[], env: Record<string, string> = {}): Map<string, string> {
  const out = path.join(scratchFolder(), 'out');
  expect(passweaveWith(env, 'recover', ...args, '--out', out).code).toBe(0);
  return contents(out);
}

test('the sample campaign, with any number of decoding threads, and with CRCs by table', () => {
  const args = [path.join(campaign, 'recordings'), '--mission', path.join(campaign, 'mission.yaml')];
  const alone = recover([...args, '--workers', '0']);
  for (const workers of ['1', '2', '8']) expect(recover([...args, '--workers', workers])).toEqual(alone);
  for (const workers of ['0', '2']) {
    expect(recover([...args, '--workers', workers], { PASSWEAVE_PLAIN_CRC: '1' })).toEqual(alone);
  }
});

test('contents that contradict each other lie in the same lanes, whether one thread or two worked', () => {
  const { text } = missionText();
  const mission = parseMission(text, 'mission.yaml', { layerNames: ['dvb-s2', 'stream'] });
  const folder = scratchFolder();
  const file = path.join(folder, 'mission.yaml');
  fs.writeFileSync(file, text);
  // One file sent three times: whole, with every fifth segment otherwise, and otherwise for good.
  const frames = Array.from({ length: 1200 }, (_, n) => {
    const pass = Math.floor(n / 400);
    const seed = pass === 2 || (pass === 1 && n % 5 === 0) ? 1000 + n : n % 400;
    const values = { counter: n, file: 7, segment: n % 400, segments: 400, length: 100 };
    return encodeFrame(mission.frame!, values, noise(100, seed));
  });
  const units: Uint8Array[] = [];
  const chain = encodeChain(mission.layers, (unit) => units.push(unit));
  for (const frame of frames) chain.push(frame);
  chain.flush();
  // What has to be unpacked goes to a thread, however few there are; a plain file to the main one.
  const recording = path.join(folder, 'saltmarsh.bin.gz');
  fs.writeFileSync(recording, zlib.gzipSync(Buffer.concat(units)));
  const runs = ['0', '1'].map((workers) => {
    const out = path.join(folder, `out-${workers}`);
    expect(passweave('recover', recording, '--mission', file, '--out', out, '--workers', workers).code).toBe(0);
    const [name] = fs.readdirSync(path.join(out, 'ledger/recordings'));
    const { runs: rows } = JSON.parse(fs.readFileSync(path.join(out, 'ledger/recordings', name!), 'utf8')) as {
      runs: number[][];
    };
    // But for the offset in the recording, which is that of the run it was cut from.
    return { rows: rows.map((row) => row.slice(0, 8)), files: contents(out) };
  });
  expect(runs[0]!.rows.some(([, , , , , , , lane]) => lane! > 0)).toBe(true);
  expect(runs[1]).toEqual(runs[0]);
});
