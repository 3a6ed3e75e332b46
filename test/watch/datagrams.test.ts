// Datagrams on loopback: what comes is on disk byte for byte, and becomes files like any other recording.
import { createSocket, type Socket } from 'node:dgram';
import { once } from 'node:events';
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest';
import { writeRtpPacket } from '../../src/intake/rtp-packet.js';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { readMission, recover, reportAgain } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { folderOf, isGroup, readDatagramUrl } from '../../src/watch/datagram-address.js';
import { SenderFlow } from '../../src/watch/sender-flow.js';
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

function sender(type: 'udp4' | 'udp6' = 'udp4'): Socket {
  const socket = createSocket(type);
  onTestFinished(() => void socket.close());
  return socket;
}

async function send(
  socket: Socket,
  port: number,
  payloads: readonly Uint8Array[],
  to: string = '127.0.0.1',
): Promise<void> {
  for (const [i, payload] of payloads.entries()) {
    socket.send(payload, port, to);
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
  test('of two stations, with and without mode adaptation headers, are kept as they came and recovered', {
    timeout: 120_000,
  }, async () => {
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
    await reportAgain(out);
    expect(readCoverage(out)).toEqual(readCoverage(expected));
    const { stations } = readCoverage(out);
    expect(stations.map(({ name, segments }) => [name, segments.received > 1900])).toEqual([
      ['127.0.0.1', true],
      ['heron', true],
    ]);
  });

  test('that come after a restart go on with the same recording', { timeout: 120_000 }, async () => {
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

/** Whether a datagram of this machine reaches it at `address`, by way of the loopback interface. */
async function isReachable(address: string): Promise<boolean> {
  const type = address.includes(':') ? 'udp6' : 'udp4';
  const [from, to] = [createSocket(type), createSocket(type)];
  try {
    to.bind(0, isGroup(address) ? undefined : address);
    await once(to, 'listening');
    if (isGroup(address)) {
      to.addMembership(address, type === 'udp4' ? '127.0.0.1' : '::%lo');
      aim(from, type);
    }
    const got = Promise.race([once(to, 'message').then(() => true), sleep(500).then(() => false)]);
    from.send('x', to.address().port, address);
    return await got;
  } catch {
    return false;
  } finally {
    from.close();
    to.close();
  }
}

/** What it sends to a group goes by way of the loopback interface. */
function aim(socket: Socket, type: 'udp4' | 'udp6'): void {
  socket.bind(0);
  socket.on('listening', () => socket.setMulticastInterface(type === 'udp4' ? '127.0.0.1' : '::%lo'));
}

/** RFC 5771, 10 and RFC 4291, 2.7: groups that stay within an organisation, and on one interface. */
const groups = ['239.192.7.7', 'ff11::7'];
const addresses: string[] = [];
for (const address of ['::1', ...groups]) {
  if (await isReachable(address)) addresses.push(address);
  else console.log(`${address} cannot be reached on this machine: not tried`);
}

describe.each(addresses)('at %s', (address) => {
  test('datagrams are kept as they came', { timeout: 30_000 }, async () => {
    const out = path.join(scratchFolder(), 'out');
    const host = address.includes(':') ? `[${address}]` : address;
    const program = new WatchProgram('--station', `heron=udp://${host}:0`, '--mission', missionFile, '--out', out);
    await program.address();
    await expect.poll(() => portsOf(program).length).toBe(1);
    const type = address.includes(':') ? 'udp6' : 'udp4';
    const socket = sender(type);
    if (isGroup(address)) {
      aim(socket, type);
      await once(socket, 'listening');
    }
    const some = frames.slice(0, 200);
    await send(socket, portsOf(program)[0]!, some, address);
    await sleep(800);
    expect(await program.end()).toBe(0);
    expect(received(out, 'heron')).toEqual([Buffer.concat(some)]);
  });
});

describe('RTP', () => {
  const rtp = (payload: Uint8Array, sequence: number): Uint8Array =>
    writeRtpPacket({ payloadType: 96, sequence, timestamp: 900 * sequence, ssrc: 7 }, payload);

  test('is undone while it comes, out of order and doubled too', { timeout: 30_000 }, async () => {
    const out = path.join(scratchFolder(), 'out');
    const program = new WatchProgram('--station', 'heron=udp://127.0.0.1:0', '--mission', missionFile, '--out', out);
    await program.address();
    await expect.poll(() => portsOf(program).length).toBe(1);
    const packets = frames.slice(0, 300).map((frame, i) => rtp(frame, 65_400 + i));
    [packets[50], packets[52]] = [packets[52]!, packets[50]!];
    packets.splice(100, 0, packets[98]!);
    await send(sender(), portsOf(program)[0]!, packets);
    await sleep(1000);
    expect(await program.end()).toBe(0);
    expect(received(out, 'heron')).toEqual([Buffer.concat(frames.slice(0, 300))]);
  });

  const flow = (): { kept: Buffer[]; flow: SenderFlow } => {
    const kept: Buffer[] = [];
    return { kept, flow: new SenderFlow((bytes) => void kept.push(Buffer.from(bytes))) };
  };
  const payloads = Array.from({ length: 60 }, (_, i) => Buffer.alloc(50, i + 1));

  test('that stops in the middle of a loss is handed on after a silence', () => {
    const { kept, flow: own } = flow();
    payloads.forEach((payload, i) => void (i === 40 || own.push(rtp(payload, i), i)));
    expect(kept).toHaveLength(40);
    own.tick(1000);
    expect(kept).toEqual(payloads.filter((_, i) => i !== 40));
  });

  test('control packets between its packets are left out, and what follows it in its place is kept', () => {
    const { kept, flow: own } = flow();
    // A sender report (RFC 3550, 6.4.1): type 200, which reads as payload type 72.
    const report = Buffer.concat([Buffer.from([0x80, 200, 0, 6]), Buffer.alloc(24)]);
    payloads.slice(0, 30).forEach((payload, i) => {
      own.push(rtp(payload, i), i);
      if (i % 10 === 4) own.push(report, i);
    });
    for (const payload of payloads.slice(30)) own.push(payload, 100);
    own.end();
    expect(kept).toEqual(payloads);
  });

  test('is not taken for it what only begins like it', () => {
    const { kept, flow: own } = flow();
    const alike = payloads.map((payload, i) => Buffer.concat([Buffer.from([0x80, 33, 7 * i, i * i]), payload]));
    for (const payload of alike) own.push(payload, 0);
    own.end();
    expect(kept).toEqual(alike);
    const few = flow();
    few.flow.push(alike[0]!, 0);
    few.flow.tick(4_000);
    expect(few.kept).toHaveLength(0);
    few.flow.tick(6_000);
    expect(few.kept).toEqual([alike[0]]);
  });
});

test.each([
  ['127.0.0.1', '127.0.0.1'],
  ['::ffff:127.0.0.1', '127.0.0.1'],
  ['::1', '0-1'],
  ['fe80::1%eth0', 'fe80-1-eth0'],
])('what %s sends is kept in the folder %s', (address, folder) => {
  expect(folderOf(address)).toBe(folder);
});

test.each([
  ['224.0.0.1', true],
  ['239.255.255.255', true],
  ['223.255.255.255', false],
  ['240.0.0.1', false],
  ['ff02::1%eth0', true],
  ['::1', false],
  ['ff.example', false],
])('%s is a group: %s (RFC 5771, RFC 4291)', (host, expected) => {
  expect(isGroup(host)).toBe(expected);
});

test.each([
  ['udp://0.0.0.0:5005', { host: '0.0.0.0', port: 5005 }],
  ['udp://[::1]:5005', { host: '::1', port: 5005 }],
  ['udp://[ff02::7%eth0]:5005', { host: 'ff02::7%eth0', port: 5005 }],
  ['udp://239.192.7.7:5005', { host: '239.192.7.7', port: 5005 }],
  ['recordings/udp', undefined],
])('%s is read as %j', (text, expected) => {
  expect(readDatagramUrl(text)).toEqual(expected);
});

test.each(['udp://', 'udp://host', 'udp://host:70000', 'udp://a b:1', 'udp://::1:5', 'udp://[1.2]:5'])(
  '%s is refused',
  (text) => {
    expect(() => readDatagramUrl(text)).toThrow(/expected udp/);
  },
);
