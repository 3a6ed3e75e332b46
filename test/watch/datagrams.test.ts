// Datagrams on loopback: what comes is on disk byte for byte, and becomes files like any other recording.
import { createSocket, type Socket } from 'node:dgram';
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { readMission, recover } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { readDatagramUrl } from '../../src/watch/datagram-recorder.js';
import { missionFile, readCoverage, scratchFolder, WatchProgram } from './player.js';

let frames: Uint8Array[];

/** The sample's mission, a file of random bytes in its frames. */
beforeAll(() => {
  const { mission } = readMission(missionFile);
  const random = seededRandom(3, 'datagrams');
  frames = [];
  const encoder = encodeChain(mission.layers, (frame) => frames.push(Uint8Array.from(frame)));
  const segments = 2000;
  for (let segment = 0; segment < segments; segment++) {
    const payload = random.fill(new Uint8Array(mission.frame!.payload.size));
    const values = { counter: segment, file: 9, segment, segments, length: payload.length };
    encoder.push(encodeFrame(mission.frame!, values, payload));
  }
});

function sender(): Socket {
  const socket = createSocket('udp4');
  onTestFinished(() => void socket.close());
  return socket;
}

async function send(socket: Socket, port: number, payloads: readonly Uint8Array[]): Promise<void> {
  for (const [i, payload] of payloads.entries()) {
    socket.send(payload, port, '127.0.0.1');
    if (i % 10 === 9) await sleep(5);
  }
}

function portsOf({ stderr }: WatchProgram): number[] {
  return [...stderr.matchAll(/UDP port (\d+)/g)].map(([, port]) => Number(port));
}

function received(out: string, station: string): Buffer[] {
  const folder = path.join(out, 'received', station);
  return fs
    .readdirSync(folder)
    .sort()
    .map((name) => fs.readFileSync(path.join(folder, name)));
}

describe('datagrams', () => {
  test('of two stations, with and without mode adaptation headers, are kept as they came and recovered', async () => {
    const out = path.join(scratchFolder(), 'out');
    const header = writeModeAdaptation({
      type: 'L.3',
      modcod: 3,
      pilots: false,
      short: false,
      esN0: 6,
      frameNumber: 0,
    });
    const program = new WatchProgram(
      'udp://127.0.0.1:0',
      '--station',
      'heron=udp://127.0.0.1:0',
      '--mission',
      missionFile,
      '--out',
      out,
    );
    await program.address();
    await expect.poll(() => portsOf(program).length).toBe(2);
    const [unnamed, heron] = portsOf(program);
    const prefixed = frames.map((frame) => Buffer.concat([header, frame]));
    await Promise.all([send(sender(), unnamed!, frames), send(sender(), heron!, prefixed)]);
    await sleep(1500);
    expect(await program.end()).toBe(0);
    expect(received(out, '127.0.0.1')).toEqual([Buffer.concat(frames)]);
    expect(received(out, 'heron')).toEqual([Buffer.concat(prefixed)]);
    const expected = path.join(scratchFolder(), 'expected');
    await recover({ recordings: [path.join(out, 'received')], mission: missionFile, out: expected });
    expect(readCoverage(out)).toEqual(readCoverage(expected));
    const { stations } = readCoverage(out);
    expect(stations.map(({ name, segments }) => [name, segments.received > 1900])).toEqual([
      ['127.0.0.1', true],
      ['heron', true],
    ]);
  });

  test('that come after a restart go on with the same recording', async () => {
    const out = path.join(scratchFolder(), 'out');
    const half = frames.length >> 1;
    for (const part of [frames.slice(0, half), frames.slice(half)]) {
      const program = new WatchProgram('--station', 'heron=udp://127.0.0.1:0', '--mission', missionFile, '--out', out);
      await program.address();
      await expect.poll(() => portsOf(program).length).toBe(1);
      await send(sender(), portsOf(program)[0]!, part);
      await sleep(800);
      await program.end('SIGKILL');
    }
    expect(received(out, 'heron')).toEqual([Buffer.concat(frames)]);
    const last = new WatchProgram('--station', 'heron=udp://127.0.0.1:0', '--mission', missionFile, '--out', out);
    await last.address();
    expect(await last.end()).toBe(0);
    expect(readCoverage(out).recordings.map(({ station, bytes }) => [station, bytes])).toEqual([
      ['heron', Buffer.concat(frames).length],
    ]);
  });

  test('on a port that is taken, or for a station that no folder can be called after, are refused', async () => {
    const socket = sender();
    await new Promise<void>((bound) => socket.bind(0, '127.0.0.1', bound));
    const out = path.join(scratchFolder(), 'out');
    const taken = new WatchProgram(`udp://127.0.0.1:${socket.address().port}`, '--mission', missionFile, '--out', out);
    expect(await taken.exited).toBe(1);
    expect(taken.stderr).toMatch(/passweave: udp:.*EADDRINUSE/);
    const odd = new WatchProgram('--station', '../x=udp://127.0.0.1:0', '--mission', missionFile, '--out', out);
    expect(await odd.exited).toBe(1);
    expect(odd.stderr).toMatch(/choose a plainer one/);
  });
});

test.each([
  ['udp://0.0.0.0:5005', { host: '0.0.0.0', port: 5005 }],
  ['udp://[::1]:5005', { host: '::1', port: 5005 }],
  ['recordings/udp', undefined],
])('%s is read as %j', (text, expected) => {
  expect(readDatagramUrl(text)).toEqual(expected);
});

test.each(['udp://', 'udp://host', 'udp://host:70000', 'udp://a b:1', 'udp://::1:5'])('%s is refused', (text) => {
  expect(() => readDatagramUrl(text)).toThrow(/expected udp/);
});
