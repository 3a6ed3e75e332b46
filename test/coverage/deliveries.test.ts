// Files sent by the standard file delivery, from the bytes of recordings to whole files: the truth is what the encoders were given.
import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, test } from 'vitest';
import { startCfdpChecksum } from '../../src/bytes/cfdp-checksum.js';
import { estimate } from '../../src/estimate.js';
import type { PduHeader } from '../../src/layers/cfdp-header.js';
import { type PduBody, readPdu, writePdu } from '../../src/layers/cfdp-pdu.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { mergeLedger } from '../../src/ledger/merge.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { coverageJson } from '../../src/report/json.js';
import { pduVectors, withCrc } from '../layers/cfdp-material.js';
import { lossy } from '../support/campaign.js';
import {
  type Built,
  build,
  type Content,
  carousel,
  contentsOf,
  deliveryMission,
  handIn,
  newLedger,
  outcome,
  packetsOnly,
  type Session,
  states,
  unitsOf,
} from '../support/deliveries.js';

const chains = [
  [
    'baseband frames, AOS frames and packets',
    '[dvb-s2, stream, {cadu: {length: 512}}, {aos: {vcid: 3, length: 508}}, {packets: {apid: 5}}, cfdp]',
  ],
  ['TM frames and packets', '[{cadu: {length: 300}}, {tm: {vcid: 2, length: 296}}, {packets: {apid: 5}}, cfdp]'],
  [
    'packets that segment PDUs',
    '[{cadu: {length: 300}}, {tm: {vcid: 2, length: 296}}, {packets: {apid: 5, length: 80}}, cfdp]',
  ],
  ['packets alone', packetsOnly],
  ['generic stream encapsulation and datagrams', '[dvb-s2, gse, {udp: {port: 5005}}, cfdp]'],
] as const;

const contents = contentsOf([2350, 700, 5000, 90]);
const packets = deliveryMission(packetsOnly);

function expectWhole({ coverage, written }: Built, files: readonly Content[]): void {
  expect(coverage.files.map(({ name, state }) => `${name} ${state}`).sort()).toEqual(
    files.map(({ name }) => `${name} whole`).sort(),
  );
  for (const { name, content } of files) expect(written[`files/${name}`]!.equals(content), name).toBe(true);
}

/** Every byte of a partial file is as sent, but for the gaps that are told. */
function expectTrueOutsideGaps({ written }: Built, { name, content }: Content): void {
  const { missing } = JSON.parse(written[`partial/${name}.gaps.json`]!.toString()) as { missing: [number, number][] };
  const expected = Buffer.from(content);
  for (const [start, end] of missing) expected.fill(0, start, end);
  expect(missing.length).toBeGreaterThan(0);
  expect(written[`partial/${name}`]!.equals(expected.subarray(0, written[`partial/${name}`]!.length))).toBe(true);
}

describe.each(chains)('over %s', (_, layers) => {
  const mission = deliveryMission(layers);
  const units = unitsOf(mission, carousel(contents, 8));

  test('files heard whole are byte for byte as sent', async () => {
    const built = await outcome(mission, [{ station: 'saltmarsh', units }]);
    expectWhole(built, contents);
    expect(states(built)[0]).toBe('1-1 limb-0001.bin whole');
    expect(built.coverage.files[0]!.segments).toEqual({ total: 24, received: 24, unit: 'byte', missing: [] });
    // Each file is Metadata, File Data of 100 bytes, EOF; a PDU is a transmission, or as many packets as it takes.
    const pdus = carousel(contents, 8);
    const room = layers.includes('length: 80') ? 80 - 6 : Number.POSITIVE_INFINITY;
    const sent = pdus.reduce((sum, { length }) => sum + Math.max(1, Math.ceil(length / room)), 0);
    const row = built.coverage.stations[0]!;
    expect(row.frames).toEqual({ read: sent, intact: sent, damaged: 0, duplicate: 0, overlapping: 0, lost: 0 });
    expect(row.segments).toEqual({ received: 82, onlyHere: 82, repeated: 7 * 82 });
  });

  test('losses at three stations are filled from each other and from other transactions', async () => {
    const sessions = ['saltmarsh', 'highfell', 'lowquay'].map(
      (station, i): Session => ({ station, units: lossy(units, 0.6, 5, i + 3) }),
    );
    expectWhole(await outcome(mission, sessions), contents);
  });

  test('what nobody received is told as missing, and the rest is as sent', async () => {
    const heard = unitsOf(mission, carousel(contents, 1));
    const built = await outcome(mission, [
      { station: 'saltmarsh', units: heard.filter((_, i) => i !== 1 && i % 5 !== 3) },
      { station: 'highfell', units: heard.filter((_, i) => i !== 1 && i % 5 !== 4) },
    ]);
    const partial = built.coverage.files.filter(({ state }) => state === 'partial');
    expect(partial.length).toBeGreaterThan(0);
    for (const { name, segments, bytes } of partial) {
      const content = contents.find((file) => file.name === name);
      if (!content || bytes === null) continue;
      expectTrueOutsideGaps(built, content);
      expect(bytes).toBe(content.content.length);
      const lost = segments.missing.reduce((sum, [first, last]) => sum + Math.ceil((last + 1 - first) / 100), 0);
      expect(segments.total - segments.received).toBe(lost);
    }
  });

  test('ledgers merged in any order, also twice, are the ledger of all', async () => {
    const sessions = ['saltmarsh', 'highfell', 'lowquay'].map(
      (station, i): Session => ({ station, units: lossy(units.slice(30 * i, 30 * i + 200), 0.5, 4, i + 9) }),
    );
    const expected = await outcome(mission, sessions);
    const own = sessions.map((session) => {
      const ledger = newLedger(mission);
      handIn(ledger, session);
      ledger.close();
      return ledger.folder;
    });
    for (const order of [
      [0, 1, 2],
      [2, 1, 0],
      [1, 2, 0, 1],
    ]) {
      const merged = newLedger(mission);
      for (const i of order) mergeLedger(own[i]!, merged.folder, merged);
      const built = await build(merged);
      const json = ({ coverage, ...rest }: Built) =>
        coverageJson({ ...rest, coverage: { ...coverage, notes: [] }, madeBy: 'test' });
      expect(json(built)).toBe(json(expected));
      expect(built.written).toEqual(expected.written);
    }
  });
});

describe('transmissions', () => {
  const units = unitsOf(packets, carousel(contents, 60));

  test('counted by packets are told apart and together as they were sent, across turns of the count and lost PDUs', async () => {
    // More packets than the count has numbers are not needed: it begins shortly before its turn.
    const later = units.map((unit, i) => recount(unit, 15_000 + i));
    const numbered = later.map((unit, time) => ({ unit, time }));
    const heard = [1, 2, 3].map((seed) => lossy(numbered, 0.7, 12, seed));
    const { coverage } = await outcome(
      packets,
      heard.map((own, i) => ({ station: `station-${i}`, units: own.map(({ unit }) => unit) })),
    );
    const times = heard.map((own) => new Set(own.map(({ time }) => time)));
    coverage.stations.forEach(({ frames }, i) => {
      const own = [...times[i]!];
      const others = times.filter((_, n) => n !== i);
      const last = Math.max(...own);
      const first = Math.min(...own);
      expect(frames).toMatchObject({
        intact: own.length,
        overlapping: 0,
        duplicate: own.filter((time) => others.some((other) => other.has(time))).length,
        lost: last - first + 1 - own.length,
      });
    });
    const all = new Set(times.flatMap((own) => [...own]));
    expect(coverage.totals.transmissions.received).toBe(all.size);
    expect(coverage.totals.transmissions.acrossStations).toBe(times.reduce((sum, own) => sum + own.size, 0) - all.size);
  });

  test('that nothing counts are claimed neither as duplicates nor as repeats', async () => {
    const uncounted = deliveryMission('[dvb-s2, gse, {udp: {port: 5005}}, cfdp]');
    const sent = unitsOf(uncounted, carousel(contents, 2));
    const sessions = ['saltmarsh', 'highfell'].map((station): Session => ({ station, units: sent }));
    const ledger = newLedger(uncounted);
    for (const session of sessions) handIn(ledger, session);
    const built = await build(ledger);
    expectWhole(built, contents);
    expect(built.coverage.stations.map(({ frames }) => [frames.duplicate, frames.overlapping, frames.lost])).toEqual([
      [0, 0, 0],
      [0, 0, 0],
    ]);
    expect(built.coverage.totals.transmissions).toMatchObject({ acrossStations: 0, acrossRepeats: 0 });
    expect(built.coverage.notes.join()).toContain('counts transmissions');
    ledger.close();
    expect(() => estimate(path.dirname(ledger.folder))).toThrow(/nothing counts the transmissions/);
  });

  test('of packets with several PDUs are counted once each', async () => {
    const pdus = carousel(contents, 1);
    const pairs = Array.from({ length: Math.ceil(pdus.length / 2) }, (_, i) =>
      Buffer.concat(pdus.slice(2 * i, 2 * i + 2)),
    );
    const built = await outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, pairs) }]);
    expectWhole(built, contents);
    expect(built.coverage.stations[0]!.frames).toMatchObject({ intact: pairs.length, overlapping: 0, lost: 0 });
  });
});

/** A packet with another sequence count. */
function recount(packet: Uint8Array, count: number): Uint8Array {
  const changed = Uint8Array.from(packet);
  changed[2] = (changed[2]! & 0xc0) | ((count >> 8) & 0x3f);
  changed[3] = count & 0xff;
  return changed;
}

describe('a reboot', () => {
  const before = contentsOf([2350, 700, 1200], 1);
  const after = before.map(({ content }, i) => ({
    name: `veil-${i + 1}.bin`,
    content: seededRandom(7, `after ${i}`).fill(new Uint8Array(content.length)),
  }));
  const old = unitsOf(packets, carousel(before, 3));
  const next = unitsOf(packets, carousel(after, 3));

  test('that begins the numbers again makes other files of them, not conflicts', async () => {
    const built = await outcome(packets, [{ station: 'saltmarsh', units: [...old, ...next] }]);
    expectWhole(built, [...before, ...after]);
    expect(built.coverage.files.map(({ id }) => id)).toEqual(['1-1', '1-1.2', '1-2', '1-2.2', '1-3', '1-3.2']);
    expect(built.coverage.files.every(({ conflicts }) => conflicts.length === 0)).toBe(true);
  });

  test('heard in other recordings, by other stations and with losses, is told from what was before', async () => {
    const sessions: Session[] = [
      { station: 'saltmarsh', units: lossy(old, 0.7, 4, 5), startedAt: 1000 },
      { station: 'highfell', units: lossy(next, 0.7, 4, 6), startedAt: 9_000_000 },
      { station: 'lowquay', units: [...lossy(old, 0.7, 4, 7), ...lossy(next, 0.7, 4, 8)], startedAt: 2000 },
    ];
    for (const order of [sessions, [...sessions].reverse()]) {
      expectWhole(await outcome(packets, order), [...before, ...after]);
    }
  });

  test('with files of the same names and sizes tells them apart by their checksums', async () => {
    const same = before.map(({ name }, i) => ({ name, content: after[i]!.content }));
    const built = await outcome(packets, [
      { station: 'saltmarsh', units: [...old, ...unitsOf(packets, carousel(same, 3))] },
    ]);
    expect(built.coverage.files.map(({ state }) => state)).toEqual(Array(6).fill('whole'));
    for (const { content } of [...before, ...same]) {
      expect(Object.values(built.written).some((file) => file.equals(content))).toBe(true);
    }
  });

  test('leaves data of which nothing tells whose they are apart from both', async () => {
    const data = carousel([{ name: 'x', content: seededRandom(3, 'stray').fill(new Uint8Array(1000)) }], 1).slice(3, 9);
    const built = await outcome(packets, [
      { station: 'saltmarsh', units: [...old, ...next] },
      { station: 'highfell', units: unitsOf(packets, data) },
    ]);
    expect(states(built)).toContain('1-1.3 transaction-1-1.3.bin partial');
    expect(built.coverage.files.filter(({ state }) => state === 'whole')).toHaveLength(6);
  });
});

describe('transactions of one file', () => {
  const [file] = contentsOf([3000]);
  const turn = (sequence: number) => carousel([file!], 1, { first: sequence });

  test('are one where name, size and checksum agree, under the lowest number', async () => {
    const built = await outcome(packets, [
      {
        station: 'saltmarsh',
        units: unitsOf(packets, [...turn(9).filter((_, i) => i !== 7), ...turn(4).filter((_, i) => i !== 12)]),
      },
    ]);
    expect(states(built)).toEqual(['1-4 limb-0001.bin whole']);
  });

  test('that lack their Metadata, their EOF or both are known by their content', async () => {
    const built = await outcome(packets, [
      {
        station: 'saltmarsh',
        units: unitsOf(packets, [...turn(1).slice(0, 15), ...turn(2).slice(10), ...turn(3).slice(12, 25)]),
      },
    ]);
    expectWhole(built, [file!]);
  });

  test('may be shown to be one only by a third that overlaps both', async () => {
    const ends = [...turn(1).slice(0, 14), ...turn(2).slice(18)];
    const apart = await outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, ends) }]);
    expect(apart.coverage.files).toHaveLength(2);
    const linked = await outcome(packets, [
      { station: 'saltmarsh', units: unitsOf(packets, [...ends, ...turn(3).slice(8, 24)]) },
    ]);
    expectWhole(linked, [file!]);
  });

  test('of which little came are of the file that has just that', async () => {
    const [, other] = contentsOf([3000, 3000]);
    const built = await outcome(packets, [
      {
        station: 'saltmarsh',
        units: unitsOf(packets, [...turn(1), ...carousel([other!], 1, { first: 2 }), turn(3)[5]!]),
      },
    ]);
    expectWhole(built, [file!, other!]);
    // A segment that both have tells nothing.
    const same = Uint8Array.from(other!.content);
    same.set(file!.content.subarray(400, 500), 400);
    const alike = carousel([{ ...other!, content: same }], 1, { first: 2 });
    const unsure = await outcome(packets, [
      { station: 'saltmarsh', units: unitsOf(packets, [...turn(1), ...alike, turn(3)[5]!]) },
    ]);
    expect(states(unsure)).toContain('1-3 transaction-1-3.bin partial');
  });

  test('that share nothing but name and size are one only where the checksum proves it', async () => {
    const tail = turn(2).slice(16);
    const named = [...turn(1).slice(0, 16), turn(2)[0]!, ...tail];
    expectWhole(await outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, named) }]), [file!]);
    const short = named.filter((pdu) => pdu !== tail[3]);
    expect(
      (await outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, short) }])).coverage.files,
    ).toHaveLength(2);
    const other = carousel([{ ...file!, content: seededRandom(5, 'other').fill(new Uint8Array(3000)) }], 1, {
      first: 2,
    });
    const mixed = [...turn(1).slice(0, 16), other[0]!, ...other.slice(16)];
    const built = await outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, mixed) }]);
    expect(built.coverage.files.map(({ state }) => state)).toEqual(['partial', 'partial']);
  });

  test('with a segment that differs are not the same file, however much else agrees', async () => {
    const changed = Uint8Array.from(file!.content);
    changed[1550]! ^= 1;
    const other = carousel([{ ...file!, content: changed }], 1, { first: 2 });
    const built = await outcome(packets, [
      { station: 'saltmarsh', units: unitsOf(packets, [...turn(1), ...other.slice(1, -1)]) },
    ]);
    expect(states(built)).toEqual(['1-1 limb-0001.bin whole', '1-2 transaction-1-2.bin partial']);
  });

  test('of different chunk lengths are one file all the same', async () => {
    const built = await outcome(packets, [
      {
        station: 'saltmarsh',
        units: unitsOf(packets, [
          ...turn(1).filter((_, i) => i % 5 !== 2),
          ...carousel([file!], 1, { first: 2, segmentBytes: 130 }).filter((_, i) => i % 7 !== 3),
        ]),
      },
    ]);
    expect(built.coverage.files).toHaveLength(1);
    expect(['whole', 'partial']).toContain(built.coverage.files[0]!.state);
    if (built.coverage.files[0]!.state === 'whole') expectWhole(built, [file!]);
    else expectTrueOutsideGaps(built, file!);
  });

  test('lost from the disk under one number are read from another', async () => {
    const ledger = newLedger(packets);
    handIn(ledger, { station: 'saltmarsh', units: unitsOf(packets, [...turn(1), ...turn(2)]) });
    ledger.commit();
    const lane = path.join(ledger.folder, 'data', `f${2 ** 32 + 1}-0.0`);
    const bytes = fs.readFileSync(lane);
    bytes.fill(0xee, 1000, 1100);
    fs.writeFileSync(lane, bytes);
    const built = await build(ledger);
    expectWhole(built, [file!]);
    expect(built.coverage.notes.join()).toContain('do not match their hash');
  });
});

/** One transaction written PDU by PDU. */
function transaction(bodies: readonly PduBody[], header: Partial<PduHeader> = {}): Uint8Array[] {
  return bodies.map((body) => writePdu({ header: { ...withCrc, ...header }, body }));
}

const none = new Uint8Array(0);
const metadata = (name: string, fileBytes: number, checksumType: number): PduBody => {
  return {
    kind: 'Metadata',
    closure: false,
    checksumType,
    fileBytes,
    sourceName: name,
    destinationName: name,
    tlvs: none,
  };
};
const data = (offset: number, bytes: Uint8Array, segmentMetadata: Uint8Array | null = null): PduBody => {
  return { kind: 'File Data', recordContinuation: 0, segmentMetadata, offset, data: bytes };
};
const eof = (checksum: number, fileBytes: number, condition = 0): PduBody => {
  return { kind: 'EOF', condition, checksum, fileBytes, tlvs: none };
};
const checksumOf = (type: number, bytes: Uint8Array): number => {
  const checksum = startCfdpChecksum(type)!;
  checksum.update(bytes);
  return checksum.digest();
};
const hear = (pdus: readonly Uint8Array[]): Promise<Built> =>
  outcome(packets, [{ station: 'saltmarsh', units: unitsOf(packets, pdus) }]);

describe('a file', () => {
  const content = seededRandom(1, 'file').fill(new Uint8Array(250));
  const chunks = [0, 100, 200].map((at) => data(at, content.subarray(at, at + 100)));

  test.each([
    ['modular', 0, 'modular'],
    ['Proximity-1 CRC-32', 1, 'proximity1'],
    ['CRC-32C', 2, 'crc32c'],
    ['CRC-32', 3, 'crc32'],
  ])('with the checksum %s is proven by it, and disputed where it fails', async (_, type, algorithm) => {
    const good = checksumOf(type, content);
    const built = await hear(transaction([metadata('a.bin', 250, type), ...chunks, eof(good, 250)]));
    expect(states(built)).toEqual(['1-7 a.bin whole']);
    expect(built.coverage.files[0]!.checksum).toMatchObject({ algorithm, matches: true });
    const bad = await hear(transaction([metadata('a.bin', 250, type), ...chunks, eof((good ^ 1) >>> 0, 250)]));
    expect(states(bad)).toEqual(['1-7 a.bin disputed']);
  });

  test.each([
    ['null', 15],
    ['of a type that nobody knows', 9],
  ])('with a checksum %s is unproven', async (_, type) => {
    const built = await hear(transaction([metadata('a.bin', 250, type), ...chunks, eof(0, 250)]));
    expect(states(built)).toEqual(['1-7 a.bin unproven']);
    expect(built.written['files/a.bin']!.equals(content)).toBe(true);
  });

  test('with large offsets and segment metadata is the same file', async () => {
    const tagged = [0, 100, 200].map((at) => data(at, content.subarray(at, at + 100), Uint8Array.of(1, 2, 3)));
    const pdus = transaction([metadata('a.bin', 250, 3), ...tagged, eof(checksumOf(3, content), 250)], {
      largeFile: 1,
    });
    expectWhole(await hear(pdus), [{ name: 'a.bin', content }]);
  });

  test('without Metadata goes by its transaction, and is proven by whichever checksum matches', async () => {
    for (const type of [0, 1, 2, 3]) {
      const built = await hear(transaction([...chunks, eof(checksumOf(type, content), 250)]));
      expect(states(built)).toEqual(['1-7 transaction-1-7.bin whole']);
    }
  });

  test('without Metadata and EOF goes by its transaction, its size unknown', async () => {
    const built = await hear(transaction(chunks.slice(1)));
    expect(states(built)).toEqual(['1-7 transaction-1-7.bin partial']);
    expect(built.coverage.files[0]).toMatchObject({ bytes: null, segments: { received: 2, missing: [[0, 99]] } });
  });

  test('whose Metadata alone came is listed, with nothing of it there', async () => {
    const built = await hear([...transaction([metadata('a.bin', 250, 3)]), ...transaction(chunks, { sequence: 8 })]);
    expect(built.coverage.files[0]).toMatchObject({
      id: '1-7',
      name: 'a.bin',
      bytes: 250,
      state: 'partial',
      path: null,
    });
    expect(built.coverage.files[0]!.segments).toEqual({ total: 3, received: 0, unit: 'byte', missing: [[0, 249]] });
  });

  test('of no bytes is whole once its EOF says so', async () => {
    const built = await hear(transaction([metadata('a.txt', 0, 3), eof(0, 0)]));
    expect(built.coverage.files[0]).toMatchObject({ name: 'a.txt', bytes: 0, state: 'whole', path: 'files/a.txt' });
    expect(built.written['files/a.txt']).toHaveLength(0);
    const open = await hear(transaction([metadata('a.txt', 0, 3)]));
    expect(states(open)).toEqual(['1-7 a.txt partial']);
  });

  test('of which zeros are missing is partial, though its modular checksum agrees', async () => {
    const zeros = Uint8Array.from(content).fill(0, 100, 200);
    const built = await hear(
      transaction([metadata('a.bin', 250, 0), chunks[0]!, chunks[2]!, eof(checksumOf(0, zeros), 250)]),
    );
    expect(states(built)).toEqual(['1-7 a.bin partial']);
  });

  test('whose sending was cancelled is not of the size of what was sent', async () => {
    const cancelled = transaction([
      metadata('a.bin', 250, 3),
      chunks[0]!,
      eof(checksumOf(3, content.subarray(0, 100)), 100, 15),
    ]);
    const built = await hear(cancelled);
    expect(built.coverage.files[0]).toMatchObject({ name: 'a.bin', bytes: 250, state: 'partial', checksum: null });
    expect(built.coverage.notes.join()).toContain('Transaction 1-7 was cancelled by its sender (condition code 15)');
    const again = transaction([metadata('a.bin', 250, 3), ...chunks, eof(checksumOf(3, content), 250)], {
      sequence: 8,
    });
    expectWhole(await hear([...cancelled, ...again]), [{ name: 'a.bin', content }]);
  });

  test('whose EOF contradicts its Metadata is two', async () => {
    const built = await hear(
      transaction([metadata('a.bin', 999, 3), ...chunks, ...chunks, eof(checksumOf(3, content), 250)]),
    );
    expect(states(built).sort()).toEqual(['1-7 a.bin partial', '1-7.2 transaction-1-7.2.bin whole'].sort());
  });

  test('of large identifiers goes by a number made of them', async () => {
    const header = { source: 2 ** 40, sequence: 2 ** 41, entityIdBytes: 6, sequenceBytes: 6 };
    const built = await hear(
      transaction([metadata('a.bin', 250, 3), ...chunks, eof(checksumOf(3, content), 250)], header),
    );
    expectWhole(built, [{ name: 'a.bin', content }]);
    expect(built.coverage.files[0]!.id).toMatch(/^x[0-9a-f]{12}$/);
  });

  test('is named by the catalogue where that knows its transaction', async () => {
    const catalogued = deliveryMission(packetsOnly, 'files: { catalogue: [{ transaction: [1, 7], name: veil.bin }] }');
    const pdus = [
      ...transaction([...chunks, eof(checksumOf(3, content), 250)], { sequence: 7 }),
      ...transaction([...chunks, eof(checksumOf(3, content), 250)], { sequence: 3 }),
    ];
    const built = await outcome(catalogued, [{ station: 'saltmarsh', units: unitsOf(catalogued, pdus) }]);
    expect(states(built)).toEqual(['1-3 veil.bin whole']);
  });

  test('at an offset that no file reaches is not kept, and that is told', async () => {
    const far = transaction([data(2 ** 50, content)], { largeFile: 1 });
    const { coverage } = await hear([...far, ...transaction(chunks)]);
    expect(coverage.notes.join()).toContain('1 frames passed their CRC but were not kept');
  });
});

test('a transaction that names no file brings none', async () => {
  const built = await hear(transaction([metadata('', 0, 0), { kind: 'Prompt', parameters: Uint8Array.of(0) }]));
  expect(built.coverage.files).toEqual([]);
  expect(built.coverage.stations[0]!.frames.intact).toBe(2);
});

// test/vectors/cfdp.json names the source of each; what they say of files must come out here.
test('the published PDUs give the files that they speak of', async () => {
  const good = pduVectors.filter(({ hex }) => {
    const bytes = Buffer.from(hex, 'hex');
    const body = readPdu(bytes, 0, bytes.length)?.body;
    if (!body) return false;
    // A partial file is written with its holes: none of 4 GiB here.
    return body.kind === 'File Data' ? body.offset < 2 ** 20 : !('fileBytes' in body) || body.fileBytes < 2 ** 20;
  });
  expect(good.length).toBeGreaterThan(5);
  const { coverage } = await hear(good.map(({ hex }) => Buffer.from(hex, 'hex')));
  const named = good.flatMap(({ hex }) => {
    const bytes = Buffer.from(hex, 'hex');
    const pdu = readPdu(bytes, 0, bytes.length)!;
    return pdu.body.kind === 'Metadata' ? [pdu.body.destinationName || pdu.body.sourceName] : [];
  });
  for (const name of named) {
    expect(coverage.files.map((file) => file.name)).toContain(path.basename(name));
  }
});

test('a ledger closed and opened again comes to the same, chunk lengths and all', async () => {
  const units = lossy(
    unitsOf(packets, [...carousel(contents, 2), ...carousel(contents, 2, { first: 9, segmentBytes: 64 })]),
    0.8,
    3,
    2,
  );
  const ledger = newLedger(packets);
  handIn(ledger, { station: 'saltmarsh', units });
  const before = await build(ledger);
  ledger.close();
  const again = Ledger.open(ledger.folder);
  try {
    const after = await build(again);
    expect(after.coverage).toEqual(before.coverage);
    expect(after.written).toEqual(before.written);
  } finally {
    again.close();
  }
});
