// What keeps a ledger from being opened: one clear message each, and nothing on disk has changed.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, test } from 'vitest';
import { type LedgerCode, LedgerError } from '../../src/errors.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { contents, handIn, missionText, scratchFolder, sending } from './material.js';

const mission = missionText();

function makeLedger(): string {
  const folder = path.join(scratchFolder(), 'ledger');
  const ledger = Ledger.open(folder, { mission });
  handIn(ledger, { station: 'saltmarsh', name: 'a.bin', sent: sending(1, 5, 1) });
  ledger.close();
  return folder;
}

/** The one line that opening fails with; nothing may have changed. */
function refusal(folder: string, given?: typeof mission): { code: LedgerCode; message: string } {
  const before = fs.existsSync(folder) ? contents(folder) : undefined;
  try {
    Ledger.open(folder, given ? { mission: given } : {}).close();
  } catch (error) {
    if (!(error instanceof LedgerError)) throw error;
    expect(error.message).not.toContain('\n');
    expect(fs.existsSync(folder) ? contents(folder) : undefined).toEqual(before);
    return { code: error.code, message: error.message.replaceAll(folder, 'LEDGER') };
  }
  throw new Error('it was opened');
}

/** A process that has ended, and one that has not. */
async function processes(): Promise<{ dead: number; alive: number; end: () => void }> {
  const gone = spawn(process.execPath, ['-e', '']);
  await once(gone, 'exit');
  const sleeper = spawn(process.execPath, ['-e', 'setTimeout(() => {}, 60_000)']);
  return { dead: gone.pid!, alive: sleeper.pid!, end: () => sleeper.kill() };
}

describe('opening a ledger', () => {
  test('where there is none tells how to make one', () => {
    expect(refusal(path.join(scratchFolder(), 'none'))).toEqual({
      code: 'ledger-missing',
      message: 'LEDGER: no ledger here; `passweave recover` makes one',
    });
  });

  test.each(['{"format":"something else","version":1}', '[]', 'null', '', 'no json'])(
    'with a foreign ledger.json (%j) refuses it',
    (text) => {
      const folder = scratchFolder();
      fs.writeFileSync(path.join(folder, 'ledger.json'), text);
      fs.writeFileSync(path.join(folder, 'mine.txt'), 'mine');
      for (const given of [undefined, mission]) {
        expect(refusal(folder, given)).toEqual({
          code: 'ledger-foreign',
          message:
            'LEDGER/ledger.json: this is not one of our ledgers; nothing was changed, choose another --out folder',
        });
      }
    },
  );

  test.each([['3'], ['"2"']])('of version %s asks for a newer passweave', (version) => {
    const folder = makeLedger();
    fs.writeFileSync(path.join(folder, 'ledger.json'), `{"format":"passweave-ledger","version":${version}}`);
    expect(refusal(folder, mission)).toEqual({
      code: 'ledger-newer',
      message: expect.stringMatching(
        /^LEDGER\/ledger\.json: version \d was written by a newer passweave .* nothing was changed, update passweave$/,
      ),
    });
  });

  test('takes away what a killed process had not renamed into place', () => {
    const folder = makeLedger();
    const left = ['ledger.json.new', 'recordings/0123456789abcdef.json.new', 'damaged/0123456789abcdef.bin.new'];
    for (const name of left) fs.writeFileSync(path.join(folder, name), 'half');
    Ledger.open(folder).close();
    for (const name of left) expect(fs.existsSync(path.join(folder, name)), name).toBe(false);
    expect(fs.existsSync(path.join(folder, 'ledger.json'))).toBe(true);
  });

  test('of an older version is left as it is, with the way out', () => {
    const folder = makeLedger();
    fs.writeFileSync(path.join(folder, 'ledger.json'), '{"format":"passweave-ledger","version":1}');
    expect(refusal(folder, mission)).toEqual({
      code: 'ledger-older',
      message: expect.stringMatching(
        /^LEDGER\/ledger\.json: version 1 .* nothing was changed, hand the recordings in again/,
      ),
    });
  });

  test('of a mission with another frame refuses it', () => {
    const folder = makeLedger();
    expect(refusal(folder, missionText({ payload: 50, name: 'Plover' }))).toEqual({
      code: 'ledger-other-mission',
      message:
        'LEDGER: holds mission "Dotterel", whose layers or frame differ from those of "Plover"; nothing was changed, choose another --out folder',
    });
  });

  test('without its mission file asks for it, and takes it', () => {
    const folder = makeLedger();
    fs.rmSync(path.join(folder, 'missions'), { recursive: true });
    fs.mkdirSync(path.join(folder, 'missions'));
    expect(refusal(folder)).toEqual({
      code: 'ledger-damaged',
      message: 'LEDGER/missions: holds no mission file; run `passweave recover` with --mission once more',
    });
    Ledger.open(folder, { mission }).close();
    Ledger.open(folder).close();
  });

  test('with a mission file that is none any more names it', () => {
    const folder = makeLedger();
    const [name] = fs.readdirSync(path.join(folder, 'missions')) as [string];
    fs.writeFileSync(path.join(folder, 'missions', name), 'mission: 7\n');
    expect(refusal(folder)).toEqual({
      code: 'ledger-damaged',
      message: expect.stringMatching(/^LEDGER\/missions\/[0-9a-f]{64}\.yaml: is no longer a mission file; remove it/),
    });
  });
});

describe('the lock of a ledger', () => {
  test('held by a process that runs keeps others out', async () => {
    const folder = makeLedger();
    const { alive, end } = await processes();
    fs.writeFileSync(path.join(folder, 'lock'), String(alive));
    expect(refusal(folder)).toEqual({
      code: 'ledger-busy',
      message: `LEDGER/lock: process ${alive} is writing this ledger; wait until it has ended (if that is no passweave, remove this file)`,
    });
    end();
  });

  test('held by this process says so', () => {
    const folder = makeLedger();
    const ledger = Ledger.open(folder);
    const lock = fs.readFileSync(path.join(folder, 'lock'), 'utf8');
    expect(refusal(folder)).toEqual({
      code: 'ledger-busy',
      message: 'LEDGER/lock: this process has the ledger open already; close it first',
    });
    expect(fs.readFileSync(path.join(folder, 'lock'), 'utf8')).toBe(lock);
    ledger.close();
    expect(fs.readdirSync(folder)).not.toContain('lock');
  });

  test('left by a process that was killed does not count', async () => {
    const folder = makeLedger();
    const { dead, end } = await processes();
    end();
    for (const left of [String(dead), `${dead} some-boot`, 'no number', '0', '-1']) {
      fs.writeFileSync(path.join(folder, 'lock'), left);
      Ledger.open(folder).close();
      expect(fs.readdirSync(folder).filter((name) => name.startsWith('lock'))).toEqual([]);
    }
  });

  test('with the number of this very process does not count either, when it is not ours: a container has the same number each time', () => {
    const folder = makeLedger();
    fs.writeFileSync(path.join(folder, 'lock'), String(process.pid));
    Ledger.open(folder).close();
  });

  test.runIf(fs.existsSync('/proc/sys/kernel/random/boot_id'))(
    'from before the machine was started does not count, whatever has its number now',
    async () => {
      const folder = makeLedger();
      const { alive, end } = await processes();
      fs.writeFileSync(path.join(folder, 'lock'), `${alive} 00000000-0000-0000-0000-000000000000`);
      Ledger.open(folder).close();
      end();
    },
  );

  test('that is empty is being taken while it is fresh, and a power cut when it is old', () => {
    const folder = makeLedger();
    const lock = path.join(folder, 'lock');
    fs.writeFileSync(lock, '');
    expect(refusal(folder)).toEqual({
      code: 'ledger-busy',
      message: 'LEDGER/lock: another process is just taking this ledger; try again in some seconds',
    });
    fs.utimesSync(lock, new Date(0), new Date(Date.now() - 10_000));
    Ledger.open(folder).close();
  });

  test('is let go when opening fails', () => {
    const folder = makeLedger();
    refusal(folder, missionText({ payload: 50 }));
    Ledger.open(folder).close();
  });

  test('is taken by one of several processes that start at once', { timeout: 60_000 }, async () => {
    const folder = makeLedger();
    fs.writeFileSync(path.join(folder, 'lock'), '4194305');
    const script = `
      import { lockLedger } from ${JSON.stringify(new URL('../../dist/ledger/lock.js', import.meta.url).href)};
      let taken = false;
      try { lockLedger(${JSON.stringify(path.join(folder, 'lock'))}); taken = true; } catch (error) { if (error.code !== 'ledger-busy') throw error; }
      process.stdout.write(taken ? 'taken' : 'busy');
      // Alive until all have tried.
      setTimeout(() => {}, 3000);`;
    const outputs = await Promise.all(
      Array.from({ length: 6 }, async () => {
        const child = spawn(process.execPath, ['--input-type=module', '-e', script], {
          stdio: ['ignore', 'pipe', 'inherit'],
        });
        let output = '';
        child.stdout.on('data', (data: Buffer) => (output += data));
        await once(child, 'close');
        return output;
      }),
    );
    expect(outputs.sort()).toEqual(['busy', 'busy', 'busy', 'busy', 'busy', 'taken']);
  });
});
