import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CHECKSUM_TYPE, startCfdpChecksum } from '../../src/bytes/cfdp-checksum.js';
import { CfdpDecoder, cfdpEncoder, cfdpOptions, type Transaction } from '../../src/layers/cfdp.js';
import { MAX_PDU_BYTES } from '../../src/layers/cfdp-header.js';
import { readPdu, writePdu } from '../../src/layers/cfdp-pdu.js';
import { mutate } from '../support/mutate.js';
import { decodeUnits, type Event, pduVectors, plainHeader, recordingSink, withCrc } from './cfdp-material.js';
import { cuts, feed, noise, seeded } from './seeded.js';

const content = noise(5000, 1);
const name = 'clouds/limb-0007.jpg';
const encode = (options: object = {}, sequence = 7, file = content): Uint8Array[] => [
  ...cfdpEncoder({ source: 1, destination: 2, ...options })({ name, content: file, sequence }),
];
const crcPdus = encode({ crc: true, segmentBytes: 200 });

/** What the decoder should say of one intact PDU, going by the codec alone. */
function eventsOf(pdu: Uint8Array, at: number): Event[] {
  const { header, body } = readPdu(pdu, 0, pdu.length)!;
  const transaction = { source: header.source, sequence: header.sequence };
  if (body.kind === 'File Data') {
    return [{ call: 'fileData', at, ...transaction, offset: body.offset, data: Buffer.from(body.data) }];
  }
  if (body.kind === 'Metadata') {
    const { closure, checksumType, fileBytes: bytes, destinationName } = body;
    return [{ call: 'metadata', ...transaction, name: destinationName, bytes, checksumType, closure, at }];
  }
  if (body.kind !== 'EOF') return [];
  const { condition, checksum, fileBytes: bytes } = body;
  return [{ call: 'eof', ...transaction, condition, checksum, bytes, at }];
}

/** Puts together what was delivered of one transaction, and which bytes came. */
function assemble(events: readonly Event[], size: number): { file: Buffer; missing: number } {
  const file = Buffer.alloc(size);
  const there = new Uint8Array(size);
  for (const { call, offset, data } of events) {
    if (call !== 'fileData') continue;
    file.set(data as Buffer, offset as number);
    there.fill(1, offset as number, (offset as number) + (data as Buffer).length);
  }
  return { file, missing: there.filter((byte) => byte === 0).length };
}

describe('PDUs of CCSDS 727.0-B-5 that others have judged', () => {
  for (const { id, hex, expect: e, verified } of pduVectors) {
    const bytes = Buffer.from(hex, 'hex');
    test.each(cuts(31))(`${id} fed $name (${verified})`, (cut) => {
      const { events, sink } = recordingSink();
      const decoder = new CfdpDecoder({}, sink);
      feed(bytes, (...push) => decoder.push(...push), cut, 1000);
      decoder.unitEnd();
      const known = { at: 1000, source: e['src'], sequence: e['seq'] };
      if (e['data'] !== undefined) {
        const data = Buffer.from(e['data'] as string, 'hex');
        expect(events).toEqual([{ call: 'fileData', ...known, offset: e['offset'], data }]);
      } else if (e['directive'] === 4) {
        const checksum = Number.parseInt(e['checksum'] as string, 16);
        expect(events).toEqual([{ call: 'eof', ...known, condition: e['condition'], checksum, bytes: e['fileSize'] }]);
      } else {
        const { dstName, fileSize, checksumType, closure } = e;
        const facts = { bytes: fileSize, checksumType, closure: closure === 1 };
        // One vector leaves the destination's name to the others.
        expect(events).toEqual([{ call: 'metadata', ...known, name: dstName ?? 'a.jpg', ...facts }]);
      }
      expect(decoder.counts()['damaged']).toBe(0);
    });
  }

  test('those of the file without large offsets make the file, whose checksum is the one in its EOF', () => {
    const { events } = decodeUnits(pduVectors.map(({ hex }) => Buffer.from(hex, 'hex')));
    const small = events.filter(({ offset }) => offset === undefined || (offset as number) < 31);
    const { file, missing } = assemble(small, 31);
    expect(missing).toBe(0);
    expect(file.toString()).toBe('The quick brown fox jumps over.');
    const checksum = startCfdpChecksum(CHECKSUM_TYPE.modular);
    checksum.update(file);
    const eof = small.find(({ call, condition }) => call === 'eof' && condition === 0)!;
    expect(checksum.digest()).toBe(eof['checksum']);
  });
});

describe('encode and decode', () => {
  test('any file comes back whole with its name, size and checksum, with any options, cut anyhow', () => {
    const options = fc
      .tuple(fc.integer({ min: 1, max: 8 }), fc.integer({ min: 1, max: 8 }))
      .chain(([entityIdBytes, sequenceBytes]) =>
        fc.record({
          source: fc.nat(255),
          destination: fc.nat(255),
          segmentBytes: fc.integer({ min: 1, max: 900 }),
          checksumType: fc.constantFrom(0, 1, 2, 3, 15),
          crc: fc.boolean(),
          largeFile: fc.boolean(),
          closure: fc.boolean(),
          entityIdBytes: fc.constant(entityIdBytes),
          sequenceBytes: fc.constant(sequenceBytes),
        }),
      );
    fc.assert(
      fc.property(
        options,
        fc.uint8Array({ maxLength: 3000 }),
        fc.nat(255),
        fc.nat(),
        (chosen, file, sequence, seed) => {
          const random = seeded(seed);
          const { events, sink } = recordingSink();
          const decoder = new CfdpDecoder({ crc: chosen.crc ? 'required' : 'flag' }, sink);
          const pdus = [...cfdpEncoder(chosen)({ name, content: file, sequence })];
          let at = 0;
          while (pdus.length > 0) {
            const unit = Buffer.concat(pdus.splice(0, 1 + Math.floor(random() * 4)));
            const way = cuts(seed)[Math.floor(random() * 3)]!;
            let unitStart = 3;
            feed(
              unit,
              (buffer, start, end, from) => {
                decoder.push(buffer, start, end, from, unitStart);
                unitStart = -1;
              },
              way,
              at,
            );
            decoder.unitEnd();
            at += unit.length;
          }
          decoder.end();
          const transaction = { source: chosen.source, sequence };
          const { checksumType, closure } = chosen;
          const checksum = startCfdpChecksum(checksumType)!;
          checksum.update(file);
          expect(events[0]).toEqual({
            call: 'metadata',
            at: 0,
            ...transaction,
            name,
            bytes: file.length,
            checksumType,
            closure,
          });
          expect(events.at(-1)).toMatchObject({
            call: 'eof',
            ...transaction,
            condition: 0,
            checksum: checksum.digest(),
            bytes: file.length,
          });
          const { file: back, missing } = assemble(events, file.length);
          expect(missing).toBe(0);
          expect(back.equals(file)).toBe(true);
          expect(decoder.counts()).toEqual({
            transactions: 1,
            'File Data': Math.ceil(file.length / chosen.segmentBytes),
            Metadata: 1,
            EOF: 1,
            crcFailures: 0,
            damaged: 0,
          });
        },
      ),
      { seed: 41, numRuns: 300 },
    );
  });

  test('an empty file is Metadata and an EOF', () => {
    const { events } = decodeUnits(encode({}, 3, Buffer.alloc(0)));
    expect(events.map(({ call, bytes }) => [call, bytes])).toEqual([
      ['metadata', 0],
      ['eof', 0],
    ]);
  });

  test.each([
    ['a checksum type that is not known', { checksumType: 7 }, 'checksum type 7 is not known'],
    ['segments of no bytes', { segmentBytes: 0 }, 'at least 1 byte is needed, got 0'],
    ['an identifier too long for its bytes', { source: 65536 }, 'below 2^16 is needed here, got 65536'],
  ])('the encoder refuses %s', (_, options, message) => {
    expect(() => encode(options)).toThrow(RangeError);
    expect(() => encode(options)).toThrow(message);
  });
});

describe('loss', () => {
  type Fate = 'good' | 'dropped' | 'damaged';

  /** Units of 1 to 4 PDUs of three interleaved files, some of them lost, pushed in pieces. */
  function transmit(seed: number, share: number, crc: boolean, kinds: readonly Fate[]) {
    const random = seeded(seed);
    const files = [1, 2, 3].map((sequence) =>
      encode({ crc, segmentBytes: 20 + Math.floor(random() * 300) }, sequence, noise(8000, seed * 10 + sequence)),
    );
    const pdus: Uint8Array[] = [];
    while (files.some((file) => file.length > 0)) pdus.push(...files[Math.floor(random() * 3)]!.splice(0, 1));
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({ crc: crc ? 'required' : 'flag' }, sink);
    const units: { start: number; end: number; fate: Fate; carried: Event[] }[] = [];
    let at = 0;
    while (pdus.length > 0) {
      const carried: Event[] = [];
      const parts = pdus.splice(0, 1 + Math.floor(random() * 4));
      let place = at;
      for (const part of parts) {
        carried.push(...eventsOf(part, place));
        place += part.length;
      }
      let unit = Buffer.concat(parts);
      const fate = random() < share ? kinds[Math.floor(random() * kinds.length)]! : 'good';
      units.push({ start: at, end: at + unit.length, fate, carried });
      if (fate === 'dropped') {
        at += unit.length;
        decoder.gap();
        continue;
      }
      if (fate === 'damaged') {
        if (random() < 0.3) unit = unit.subarray(0, Math.floor(random() * unit.length));
        else
          for (let i = 0; i < 1 + random() * 20 && unit.length > 0; i++)
            unit[Math.floor(random() * unit.length)]! ^= 1 << Math.floor(random() * 8);
      }
      for (let from = 0; from < unit.length; ) {
        const to = random() < 0.5 ? unit.length : from + 1 + Math.floor(random() * (unit.length - from));
        decoder.push(unit, from, to, at + from, from === 0 ? 0 : -1);
        from = to;
      }
      decoder.unitEnd();
      at = units.at(-1)!.end;
    }
    decoder.end();
    return { units, events, counts: decoder.counts() };
  }

  const shares = [0.01, 0.02, 0.1];
  test.each(shares)('of units, %d of them: what the others carried comes, and nothing else', (share) => {
    let dropped = 0;
    for (const crc of [false, true]) {
      for (let seed = 1; seed <= 15; seed++) {
        const { units, events, counts } = transmit(seed, share, crc, ['dropped']);
        expect(events).toEqual(units.flatMap(({ fate, carried }) => (fate === 'good' ? carried : [])));
        expect(counts['damaged']).toBe(0);
        dropped += units.filter(({ fate }) => fate === 'dropped').length;
      }
    }
    expect(dropped).toBeGreaterThan(10);
  });

  test.each(shares)(
    'and damage to units, %d of them: neighbours come whole, and of a damaged unit only what is right',
    (share) => {
      let saved = 0;
      let damaged = 0;
      for (let seed = 1; seed <= 30; seed++) {
        const { units, events } = transmit(seed, share, true, ['dropped', 'damaged']);
        for (const { start, end, fate, carried } of units) {
          const own = events.filter(({ at }) => at >= start && at < end);
          if (fate === 'good') expect(own).toEqual(carried);
          else if (fate === 'dropped') expect(own).toEqual([]);
          else {
            damaged++;
            const delivered = own.filter(({ call }) => call !== 'damaged');
            saved += delivered.length;
            for (const event of delivered) expect(carried).toContainEqual(event);
          }
        }
      }
      expect(damaged).toBeGreaterThan(5);
      expect(saved).toBeGreaterThan(0);
    },
  );

  test('in the middle of a unit ends that unit, and the next one is read', () => {
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({}, sink);
    const [metadata, first, second] = crcPdus as [Uint8Array, Uint8Array, Uint8Array];
    const unit = Buffer.concat([metadata, first]);
    const half = metadata.length + 50;
    decoder.push(unit, 0, half, 0, 0);
    decoder.gap();
    decoder.push(unit, half + 30, unit.length, half + 30, -1);
    decoder.unitEnd();
    decoder.push(second, 0, second.length, 5000, 0);
    decoder.unitEnd();
    expect(events.map(({ call, at }) => [call, at])).toEqual([
      ['metadata', 0],
      ['damaged', metadata.length],
      ['fileData', 5000],
    ]);
    expect(events[1]!['data']).toEqual(unit.subarray(metadata.length, half));
    expect(decoder.counts()['skippedBytes']).toBe(unit.length - half - 30);
  });

  test('between units costs nothing, though the layer below says nothing of where the next one begins', () => {
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({}, sink);
    for (const pdu of crcPdus) {
      decoder.push(pdu, 0, pdu.length, 0, -1);
      decoder.unitEnd();
      decoder.gap();
    }
    expect(events).toEqual(crcPdus.flatMap((pdu) => eventsOf(pdu, 0)));
  });

  test('of a unit`s end shows where the layer below begins the next one', () => {
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({}, sink);
    const [metadata, first] = crcPdus as [Uint8Array, Uint8Array];
    decoder.push(metadata, 0, 20, 0, 0);
    // One push that holds the rest of nothing, and a unit from byte 5 on.
    const bytes = Buffer.concat([Buffer.alloc(5, 0x99), first]);
    decoder.gap();
    decoder.push(bytes, 0, bytes.length, 100, 5);
    decoder.unitEnd();
    expect(events.map(({ call, at }) => [call, at])).toEqual([
      ['damaged', 0],
      ['fileData', 105],
    ]);
  });
});

describe('a byte stream below, that says where units begin and never where they end', () => {
  test('gives the same PDUs, and goes on behind a gap where the next unit begins', () => {
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({}, sink);
    const whole = Buffer.concat(crcPdus);
    const starts = crcPdus.map((_, i) => Buffer.concat(crcPdus.slice(0, i)).length);
    for (let from = 0; from < whole.length; from += 500) {
      const to = Math.min(from + 500, whole.length);
      if (from === 2000) {
        decoder.gap();
        continue;
      }
      decoder.push(whole, from, to, from, starts.find((start) => start >= from && start < to) ?? -1);
    }
    decoder.end();
    const touched = (i: number): boolean => starts[i]! < 2500 && starts[i]! + crcPdus[i]!.length > 2000;
    const intact = crcPdus.flatMap((pdu, i) => (touched(i) ? [] : eventsOf(pdu, starts[i]!)));
    expect(events.filter(({ call }) => call !== 'damaged')).toEqual(intact);
  });
});

describe('options', () => {
  const pdu = (source: number, destination: number): Uint8Array =>
    writePdu({
      header: { ...plainHeader, source, destination },
      body: {
        kind: 'File Data',
        recordContinuation: 0,
        segmentMetadata: null,
        offset: 0,
        data: Uint8Array.of(source, destination),
      },
    });
  const units = [pdu(1, 2), pdu(1, 3), pdu(4, 2)];

  test.each([
    [{}, [1, 1, 4], undefined],
    [{ source: 1 }, [1, 1], 1],
    [{ destination: 2 }, [1, 4], 1],
    [{ source: 4, destination: 3 }, [], 3],
  ])('%j takes the PDUs of those entities', (options, sources, others) => {
    const { events, counts } = decodeUnits(units, options);
    expect(events.map(({ source }) => source)).toEqual(sources);
    expect(counts['otherEntities']).toBe(others);
  });

  test('crc: required takes a PDU without a CRC for damaged: its flag may be what was hit', () => {
    const hit = crcPdus.map((bytes) => Buffer.from(bytes));
    hit[1]![0]! &= ~2;
    expect(decodeUnits(hit).events[1]).toMatchObject({ call: 'fileData', offset: 0 });
    const { events, counts } = decodeUnits(hit, { crc: 'required' });
    expect(events[1]).toMatchObject({ call: 'damaged', data: hit[1] });
    expect([counts['damaged'], counts['withoutCrc']]).toEqual([1, 1]);
  });

  test('are checked', () => {
    expect(cfdpOptions.safeParse({ source: 1, destination: 2, crc: 'flag' }).success).toBe(true);
    expect(cfdpOptions.safeParse({}).success).toBe(true);
    for (const wrong of [{ source: -1 }, { destination: 2 ** 48 }, { source: 0.5 }, { crc: 'none' }, { apid: 3 }]) {
      expect(cfdpOptions.safeParse(wrong).success).toBe(false);
    }
  });
});

describe('what a unit may hold besides', () => {
  const [metadata, first, second] = crcPdus as [Uint8Array, Uint8Array, Uint8Array];

  test('zeros behind the last PDU are fill', () => {
    const { events, counts } = decodeUnits([
      Buffer.concat([metadata, Buffer.alloc(100)]),
      Buffer.concat([first, Buffer.alloc(2)]),
    ]);
    expect(events.map(({ call }) => call)).toEqual(['metadata', 'fileData']);
    expect([counts['fillBytes'], counts['damaged']]).toEqual([102, 0]);
  });

  test('anything else is evidence, with its place', () => {
    const garbage = noise(300, 5);
    garbage[0] = 0xff;
    const { events, counts } = decodeUnits([Buffer.concat([metadata, garbage]), first]);
    expect(events[1]).toEqual({ call: 'damaged', at: metadata.length, data: garbage });
    expect(events[2]!.call).toBe('fileData');
    expect(counts['damaged']).toBe(1);
  });

  test('behind a PDU whose CRC fails, only PDUs with a CRC are believed', () => {
    const hit = Buffer.from(first);
    hit[30]! ^= 1;
    const plain = encode({ segmentBytes: 200 })[2]!;
    const { events, counts } = decodeUnits([Buffer.concat([hit, second]), Buffer.concat([hit, plain]), plain]);
    expect(events.map(({ call }) => call)).toEqual(['damaged', 'fileData', 'damaged', 'damaged', 'fileData']);
    expect(events[1]!['offset']).toBe(200);
    expect([counts['crcFailures'], counts['withoutCrc'], counts['damaged']]).toEqual([2, 1, 3]);
  });

  test('a PDU longer than its unit is cut: damaged, not joined with the next', () => {
    const { events } = decodeUnits([first.subarray(0, 100), second]);
    expect(events.map(({ call, at }) => [call, at])).toEqual([
      ['damaged', 0],
      ['fileData', 100],
    ]);
  });

  test('Finished, ACK, NAK, Prompt and Keep Alive are counted and passed over', () => {
    const kinds = ['Finished', 'ACK', 'NAK', 'Prompt', 'Keep Alive'] as const;
    const { events, counts } = decodeUnits(
      kinds.map((kind) =>
        writePdu({ header: { ...withCrc, direction: 1 }, body: { kind, parameters: Uint8Array.of(0, 0) } }),
      ),
    );
    expect(events).toEqual([]);
    for (const kind of kinds) expect(counts[kind]).toBe(1);
    expect(counts['damaged']).toBe(0);
  });

  test('segment metadata are passed over, and File Data without data says nothing', () => {
    const body = {
      kind: 'File Data' as const,
      recordContinuation: 3,
      segmentMetadata: noise(63, 2),
      offset: 40,
      data: Buffer.from('x'),
    };
    const { events, counts } = decodeUnits([
      writePdu({ header: plainHeader, body }),
      writePdu({ header: plainHeader, body: { ...body, data: Buffer.alloc(0) } }),
    ]);
    expect(events).toEqual([{ call: 'fileData', at: 0, source: 1, sequence: 7, offset: 40, data: Buffer.from('x') }]);
    expect(counts['File Data']).toBe(2);
  });

  test('the source file name stands in for a destination file name that is empty', () => {
    const tlvs = new Uint8Array(0);
    const body = {
      kind: 'Metadata' as const,
      closure: false,
      checksumType: 0,
      fileBytes: 1,
      sourceName: 'a.jpg',
      destinationName: '',
      tlvs,
    };
    expect(decodeUnits([writePdu({ header: plainHeader, body })]).events[0]!['name']).toBe('a.jpg');
  });

  test('identifiers that lost bits are counted', () => {
    const header = { ...withCrc, sequenceBytes: 8, sequence: 2 ** 48 + 9 };
    const { events, counts } = decodeUnits([
      writePdu({ header, body: { kind: 'EOF', condition: 0, checksum: 0, fileBytes: 0, tlvs: new Uint8Array(0) } }),
    ]);
    expect(events[0]!['sequence']).toBe(9);
    expect(counts['idsShortened']).toBe(1);
  });
});

test('a transaction is one object as long as the decoder lives', () => {
  const seen: Transaction[] = [];
  const nothing = (): void => undefined;
  const decoder = new CfdpDecoder(
    {},
    { fileData: (transaction) => seen.push(transaction), metadata: nothing, eof: nothing, damaged: nothing },
  );
  const [one, two] = [encode({ segmentBytes: 5000 }, 1), encode({ segmentBytes: 5000 }, 2)];
  for (const pdu of [one[1]!, two[1]!, one[1]!]) decoder.push(pdu, 0, pdu.length, 0, 0);
  expect(seen.map(({ sequence }) => sequence)).toEqual([1, 2, 1]);
  expect(seen[2]).toBe(seen[0]);
  expect(decoder.counts()['transactions']).toBe(2);
});

describe('hostile input', () => {
  test('1,000 mutated inputs: no crash, the same however they are cut, and no byte that was not sent', () => {
    const random = seeded(51);
    const small = encode({ crc: true, segmentBytes: 100 }, 9, content.subarray(0, 2000));
    const whole = Buffer.concat(small);
    let delivered = 0;
    for (let i = 0; i < 1000; i++) {
      const bytes = mutate(whole, random);
      // Joined units, and units that end where the sender meant to: both have seen the damage.
      const [once, again] = [cuts(i)[0]!, cuts(i)[1 + (i % 2)]!].map((cut) => {
        const { events, sink } = recordingSink();
        const decoder = new CfdpDecoder({ crc: 'required' }, sink);
        for (let at = 0, pdu = 0; at < bytes.length; pdu++) {
          const size = i % 3 === 0 ? bytes.length : small[pdu % small.length]!.length;
          feed(bytes.subarray(at, at + size), (...push) => decoder.push(...push), cut, at);
          decoder.unitEnd();
          at += size;
        }
        decoder.end();
        return { events, counts: decoder.counts() };
      });
      expect(again).toEqual(once);
      for (const { call, offset, data } of once!.events) {
        if (call !== 'fileData') continue;
        delivered++;
        expect(
          content.subarray(offset as number, (offset as number) + (data as Buffer).length).equals(data as Buffer),
        ).toBe(true);
      }
      const shown = once!.events.reduce((sum, { data }) => sum + ((data as Buffer | undefined)?.length ?? 0), 0);
      expect(shown).toBeLessThanOrEqual(bytes.length);
    }
    expect(delivered).toBeGreaterThan(1000);
  });

  test('1,000 random inputs without any sense', () => {
    for (let i = 0; i < 1000; i++) {
      const bytes = noise(i, i + 1);
      const results = cuts(i).map((cut) => {
        const { events, sink } = recordingSink();
        const decoder = new CfdpDecoder({}, sink);
        feed(bytes, (...push) => decoder.push(...push), cut);
        decoder.end();
        return events;
      });
      expect(results[1]).toEqual(results[0]);
      expect(results[2]).toEqual(results[0]);
    }
  });

  test('a unit without end is shown up to the longest PDU, then passed over, and holds no memory', () => {
    const { events, sink } = recordingSink();
    const decoder = new CfdpDecoder({}, sink);
    const block = Buffer.alloc(1_000_000, 0xff);
    const before = process.memoryUsage().arrayBuffers;
    for (let i = 0; i < 100; i++) decoder.push(block, 0, block.length, i * block.length, -1);
    expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(2_000_000);
    decoder.end();
    expect(events.map(({ data }) => (data as Buffer).length)).toEqual([MAX_PDU_BYTES]);
    expect(decoder.counts()['skippedBytes']).toBe(100 * block.length - MAX_PDU_BYTES);
  });

  test('of 100,000 transactions 65,536 are told apart, and all are handed on', () => {
    let handed = 0;
    const nothing = (): void => undefined;
    const decoder = new CfdpDecoder(
      {},
      { fileData: () => handed++, metadata: nothing, eof: nothing, damaged: nothing },
    );
    const header = { ...plainHeader, sequenceBytes: 4 };
    const pdu = Buffer.from(
      writePdu({
        header,
        body: { kind: 'File Data', recordContinuation: 0, segmentMetadata: null, offset: 0, data: Uint8Array.of(1) },
      }),
    );
    for (let sequence = 0; sequence < 100_000; sequence++) {
      pdu.writeUInt32BE(sequence, 6);
      decoder.push(pdu, 0, pdu.length, 0, 0);
      decoder.unitEnd();
    }
    expect(handed).toBe(100_000);
    expect(decoder.counts()['transactions']).toBe(65_536);
  });
});
