/** A wall clock that lies to one program: Debian's faketime. Monotonic time and /proc/uptime stay real, as after a real step. */
import { spawnSync } from 'node:child_process'
import { renameSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'

export class WallClock {
  private readonly file: string
  private readonly library: string

  constructor(folder: string) {
    this.file = join(folder, 'wall-clock')
    const { stdout } = spawnSync('faketime', ['-f', '+0', 'env'], { encoding: 'utf8' })
    this.library = /^LD_PRELOAD=(.+)$/m.exec(stdout ?? '')?.[1] ?? ''
    this.set(0)
  }

  /** From now on so many seconds away from the true time. */
  set(offSeconds: number): void {
    writeFileSync(this.file + '.new', `${offSeconds < 0 ? '' : '+'}${offSeconds}\n`)
    renameSync(this.file + '.new', this.file)
  }

  /** What a program must have in its environment. */
  get env(): NodeJS.ProcessEnv {
    return {
      LD_PRELOAD: this.library,
      FAKETIME_TIMESTAMP_FILE: this.file,
      FAKETIME_NO_CACHE: '1',
      FAKETIME_DONT_FAKE_MONOTONIC: '1',
    }
  }
}
