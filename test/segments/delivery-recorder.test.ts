// What is kept of one recording of a file delivery, against the list of PDUs that were handed over.
import { describe, expect, test } from 'vitest';
import { DeliveryRecorder } from '../../src/segments/delivery-recorder.js';
import { DIRECTIVES, type Run, type SegmentStore } from '../../src/segments/run.js';

const bytes = new Uint8Array(1000);
const store = { store: () => 0 };
const at = (sequence: number) => ({ source: 1, sequence });

/** Hands over PDUs, each in a unit of its own; counts go up from `count`. */
class Sender {
  readonly recorder: DeliveryRecorder;
  count: number;

  constructor(bits = 14, count = 0, to: SegmentStore = store) {
    this.recorder = new DeliveryRecorder(bits, to);
    this.count = count;
  }

  skip(units: number): this {
    this.count = (this.count + units) % 16384;
    return this;
  }

  data(sequence: number, offset: number, length = 100): this {
    this.#next();
    this.recorder.fileData(at(sequence), offset, bytes, 0, length, 0);
    return this;
  }

  metadata(sequence: number, name: string, size: number): this {
    this.#next();
    this.recorder.metadata(at(sequence), { name, bytes: size, checksumType: 3, closure: false, at: 0 });
    return this;
  }

  eof(sequence: number, size: number, checksum = 5, condition = 0): this {
    this.#next();
    this.recorder.eof(at(sequence), { condition, checksum, bytes: size, at: 0 });
    return this;
  }

  get runs(): readonly Run[] {
    return this.recorder.runs;
  }

  #next(): void {
    this.recorder.sequence(this.count, 1);
    this.skip(1);
  }
}

const brief = ({ counter, count, file: number, segments, key, step, lane }: Run) => [
  counter,
  count,
  number % 2 ** 32,
  segments === DIRECTIVES ? `directive ${key}` : `${key} by ${step}`,
  lane,
];

describe('runs of a file delivery', () => {
  test('join File Data that follow each other, the last shorter than the rest', () => {
    const sent = new Sender().metadata(7, 'a', 250).data(7, 0).data(7, 100).data(7, 200, 50).eof(7, 250);
    expect(sent.runs.map(brief)).toEqual([
      [0, 1, 7, 'directive 0', -1],
      [1, 3, 7, '0 by 100', 0],
      [4, 1, 7, 'directive 1', -1],
    ]);
    expect(sent.recorder.intactFrames).toBe(5);
  });

  test('break where a PDU is missing, the transaction or the chunk length changes', () => {
    const sent = new Sender()
      .data(7, 0)
      .data(7, 100)
      .skip(1)
      .data(7, 300)
      .data(8, 400)
      .data(8, 500, 150)
      .data(8, 650, 150);
    expect(sent.runs.map(brief)).toEqual([
      [0, 2, 7, '0 by 100', 0],
      [3, 1, 7, '300 by 100', 0],
      [4, 1, 8, '400 by 100', 0],
      [5, 2, 8, '500 by 150', 0],
    ]);
  });

  test('keep one stretch across gaps, turns of the count and the ends of transactions', () => {
    const sent = new Sender(14, 16_380)
      .data(7, 0)
      .data(7, 100)
      .skip(10)
      .data(7, 1200)
      .skip(30)
      .data(8, 200)
      .skip(5)
      .eof(8, 800);
    expect(sent.recorder.stretchStarts).toEqual([16_380]);
    expect(sent.runs.map(({ counter }) => counter)).toEqual([16_380, 16_392, 16_423, 16_429]);
  });

  test('begin a new stretch where the count may have turned unheard, or began again', () => {
    expect(new Sender().data(7, 0).skip(5000).data(8, 0).recorder.stretchStarts).toEqual([0, 5001]);
    expect(new Sender(14, 300).data(7, 0).skip(16_000).data(7, 0).recorder.stretchStarts).toHaveLength(2);
    // The count leaves no room for what must have been sent in between.
    expect(new Sender().data(7, 0).skip(3).data(8, 900).recorder.stretchStarts).toHaveLength(2);
  });

  test('of a long silence in one large file are one stretch where offset and count agree', () => {
    const sent = new Sender().data(7, 0).skip(19_999).data(7, 2_000_000);
    expect(sent.recorder.stretchStarts).toEqual([0]);
    expect(sent.runs.map(({ counter }) => counter)).toEqual([0, 20_000]);
  });

  test('without any count number the PDUs as they came, damaged ones too', () => {
    const { recorder } = new Sender(0);
    recorder.fileData(at(7), 0, bytes, 0, 100, 0);
    recorder.damaged(bytes, 0, 90, 100);
    recorder.fileData(at(7), 200, bytes, 0, 100, 200);
    expect(recorder.runs.map(({ counter }) => counter)).toEqual([0, 2]);
    expect(recorder.damagedFrames.map(({ transmission }) => transmission)).toEqual([{ stretch: 0, counter: 1 }]);
  });

  test('count a PDU in several packets as these, and several PDUs of a packet as one', () => {
    const { recorder } = new Sender();
    recorder.sequence(16_382, 3);
    recorder.fileData(at(7), 0, bytes, 0, 100, 0);
    recorder.sequence(1, 1);
    recorder.fileData(at(7), 100, bytes, 0, 100, 0);
    recorder.fileData(at(7), 200, bytes, 0, 100, 0);
    expect(recorder.intactFrames).toBe(4);
    expect(recorder.stretchStarts).toEqual([16_382]);
    expect(recorder.runs.map(brief)).toEqual([
      [16_382, 1, 7, '0 by 100', 0],
      [16_383, 1, 7, 'directive 2', -1],
      [16_384, 1, 7, 'directive 2', -1],
      [16_385, 1, 7, '100 by 100', 0],
      [16_385, 1, 7, '200 by 100', 0],
    ]);
  });

  test('keep no data of more transactions than the bound', () => {
    const kept = new Set<number>();
    const counting = { store: (number: number) => kept.add(number) && 0 };
    const sent = new Sender(14, 0, counting);
    for (let sequence = 0; sequence < 65_540; sequence++) sent.data(sequence, 0, 1);
    expect(kept.size).toBe(65_536);
    expect(sent.runs.at(-1)!.lane).toBe(-1);
  });
});

describe('what Metadata and EOF say', () => {
  const told = (sent: Sender) =>
    sent.recorder.deliveries.map(({ sequence, stretch, counter, name, bytes: size, checksum, condition }) => {
      return [sequence, stretch, counter, name, size, checksum, condition];
    });

  test('is one entry while nothing contradicts it, whatever comes first', () => {
    expect(told(new Sender().data(7, 0).eof(7, 250).metadata(7, 'a', 250).data(7, 100).eof(7, 250))).toEqual([
      [7, 0, 0, 'a', 250, 5, 0],
    ]);
    expect(new Sender().recorder.deliveries).toEqual([]);
  });

  test('begins anew at Metadata that contradict what was said', () => {
    const sent = new Sender().metadata(7, 'a', 250).data(7, 0).metadata(7, 'b', 250).data(7, 0);
    expect(told(sent)).toEqual([
      [7, 0, 0, 'a', 250, null, 0],
      [7, 0, 2, 'b', 250, null, 0],
    ]);
  });

  test('begins anew with the data since the last EOF when another contradicts it', () => {
    const sent = new Sender()
      .metadata(7, 'a', 200)
      .data(7, 0)
      .data(7, 100)
      .eof(7, 200)
      .data(7, 0)
      .data(7, 100)
      .eof(7, 200, 6);
    expect(told(sent)).toEqual([
      [7, 0, 0, 'a', 200, 5, 0],
      [7, 0, 4, null, 200, 6, 0],
    ]);
  });

  test('begins anew where data began again when the EOF contradicts Metadata', () => {
    const sent = new Sender().metadata(7, 'a', 900).data(7, 0).data(7, 100).data(7, 0).data(7, 100).eof(7, 200);
    expect(told(sent)[1]).toEqual([7, 0, 3, null, 200, 5, 0]);
  });

  test('holds for its stretch alone', () => {
    const sent = new Sender(14, 100).metadata(7, 'a', 200).data(7, 0);
    sent.count = 3;
    sent.data(7, 0).eof(7, 200);
    expect(told(sent)).toEqual([
      [7, 0, 0, 'a', 200, null, 0],
      [7, 1, 0, null, 200, 5, 0],
    ]);
  });

  test('of a cancelled transfer is only that it was', () => {
    expect(told(new Sender().metadata(7, 'a', 250).data(7, 0).eof(7, 100, 9, 15))).toEqual([
      [7, 0, 0, 'a', 250, null, 15],
    ]);
  });

  test('of a file without a stated size leaves the size to the EOF', () => {
    expect(told(new Sender().metadata(7, 'a', 0))).toEqual([[7, 0, 0, 'a', null, null, 0]]);
    expect(told(new Sender().metadata(7, 'a', 0).eof(7, 0, 0))).toEqual([[7, 0, 0, 'a', 0, 0, 0]]);
  });
});
