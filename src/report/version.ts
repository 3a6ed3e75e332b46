// The package's version, read from package.json beside dist/ or src/.
import fs from 'node:fs';

const manifest = JSON.parse(fs.readFileSync(new URL('../../package.json', import.meta.url), 'utf8')) as {
  version: string;
};

export const VERSION: string = manifest.version;
