import { expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { type CarouselFile, planCarousel, sendingAt, sendingFrame } from '../../src/rehearsal/carousel.js';
import { smallMission } from './campaign.js';

const file = (number: number, bytes: number, fill: number): CarouselFile => ({
  file: number,
  edition: 1,
  name: `f${number}.bin`,
  content: new Uint8Array(bytes).fill(fill),
});
const mission = smallMission();
const bare = { ...mission, files: { catalogue: [] } };

/** `file.edition:segment` of frames `[from, to)`, with run and counter before it. */
function sent(plan: ReturnType<typeof planCarousel>, from: number, to: number): string[] {
  return Array.from({ length: to - from }, (_, i) => {
    const { run, counter, content, segment } = sendingAt(plan, from + i);
    return `${run}/${counter} ${content.file}.${content.edition}:${segment}`;
  });
}

test('the carousel sends each file in order, segment by segment, and begins again', () => {
  const plan = planCarousel(bare, [file(2, 401, 1), file(1, 200, 2)]);
  expect(sent(plan, 0, 6)).toEqual(['1/0 1.1:0', '1/1 2.1:0', '1/2 2.1:1', '1/3 2.1:2', '1/4 1.1:0', '1/5 2.1:0']);
});

test('after a reboot the counter starts at 0 and the carousel from its beginning', () => {
  const plan = planCarousel(bare, [file(1, 600, 1)], { startCounter: 70, rebootBefore: 2 });
  expect(sent(plan, 0, 4)).toEqual(['1/70 1.1:0', '1/71 1.1:1', '2/0 1.1:0', '2/1 1.1:1']);
});

test('new content under an old number is a new edition from the next cycle on', () => {
  const replacements = [{ from: 1, file: 1, content: new Uint8Array(300) }];
  const plan = planCarousel(bare, [file(1, 600, 1), file(2, 200, 2)], { replacements });
  expect(sent(plan, 0, 7)).toEqual([
    ...['1/0 1.1:0', '1/1 1.1:1', '1/2 1.1:2', '1/3 2.1:0'],
    ...['1/4 1.2:0', '1/5 1.2:1', '1/6 2.1:0'],
  ]);
});

test('a reboot before a replacement took effect brings it in at once', () => {
  const replacements = [{ from: 1, file: 1, content: new Uint8Array(200) }];
  const plan = planCarousel(bare, [file(1, 600, 1)], { replacements, rebootBefore: 2 });
  expect(sent(plan, 0, 4)).toEqual(['1/0 1.1:0', '1/1 1.1:1', '2/0 1.2:0', '2/1 1.2:0']);
});

test('the descriptor goes first, names the others, and gets a new edition when one of them is replaced', () => {
  const replacements = [{ from: 1, file: 9, content: new TextEncoder().encode('123456789') }];
  const plan = planCarousel(mission, [{ ...file(9, 5, 0), name: 'a, "b".txt' }], { replacements });
  const texts = plan.map(({ files }) => new TextDecoder().decode(files[0]!.content));
  // CRC-32/ISO-HDLC of five zero bytes, and the catalogue's check value of "123456789".
  expect(texts).toEqual([
    'file,name,bytes,crc32\n9,"a, ""b"".txt",5,c622f71d\n',
    'file,name,bytes,crc32\n9,"a, ""b"".txt",9,cbf43926\n',
  ]);
  expect(plan.map(({ files }) => files[0]!.edition)).toEqual([1, 2]);
});

test('the counter on the wire wraps as its field is wide', () => {
  const narrow = smallMission(1194, 8);
  const plan = planCarousel(narrow, [file(1, 600, 1)], { startCounter: 255 });
  const wire = [0, 1].map((k) => sendingFrame(narrow, sendingAt(plan, k))[4]);
  expect(wire).toEqual([255, 0]);
});

test('a file whose number does not fit the frame is refused', () => {
  expect(() => planCarousel(mission, [file(65536, 10, 1)])).toThrow(
    new UsageError("f65536.bin: file 65536 does not fit the frame's 16 bits"),
  );
});

test('an empty file is refused', () => {
  expect(() => planCarousel(mission, [file(1, 0, 1)])).toThrow(
    new UsageError('f1.bin is empty: there is nothing to send'),
  );
});
