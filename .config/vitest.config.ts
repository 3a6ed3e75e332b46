import fs from 'node:fs';
import os from 'node:os';
import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vitest/config';

/** Files of tests that are synced again and again lie in memory, where there is enough of it: half of the time was the disk's. */
const MEMORY_FOLDER = '/dev/shm';
const BYTES_NEEDED = 4 * 2 ** 30;

function temporaryFolder(): string {
  if (!fs.existsSync(MEMORY_FOLDER)) return os.tmpdir();
  const { bavail, bsize } = fs.statfsSync(MEMORY_FOLDER);
  return bavail * bsize >= BYTES_NEEDED ? MEMORY_FOLDER : os.tmpdir();
}

export default defineConfig({
  test: {
    root: fileURLToPath(new URL('..', import.meta.url)),
    include: ['test/**/*.test.ts'],
    env: { TMPDIR: temporaryFolder() },
    testTimeout: 120_000,
    hookTimeout: 120_000,
    maxWorkers: 2,
    reporters: ['default', ['json', { outputFile: '.test-results.json' }]],
  },
});
