/**
 * Field cases of months: slow growth, errors that nobody listens to, a process that is alive but frozen, a board that is busy
 * with other things. On real parts: the built `motepost run`, a pty, a real broker; records are one second long.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { chmodSync, existsSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { connect } from 'node:net'
import { join } from 'node:path'
import { afterEach, expect, it } from 'vitest'
import { askControl } from '../../agent/hardware/control-socket.js'
import { listenOnLoopback, type Listener } from '../../agent/hardware/tcp-listener.js'
import { FieldRig, type RigOptions } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { storedEvents } from '../support/stored-records.js'
import { waitFor } from '../support/wait.js'

const minute = 60_000
const patienceSeconds = 60
const unitFile = join(import.meta.dirname, '../../systemd/motepost.service')
const unit = (key: string): string | undefined =>
  new RegExp(`^${key}=(.*)$`, 'm').exec(readFileSync(unitFile, 'utf8'))?.[1]

let rig: FieldRig
const make = async (options: RigOptions = {}): Promise<FieldRig> => (rig = await FieldRig.make(options))
const children: ChildProcess[] = []
const closing: (() => Promise<unknown>)[] = []
const started = (child: ChildProcess): ChildProcess => {
  children.push(child)
  return child
}

afterEach(async (context) => {
  for (const child of children.splice(0)) child.kill('SIGKILL')
  for (const close of closing.splice(0)) await close()
  await rig.end(context.task.result?.state === 'fail')
})

const pause = (seconds: number): Promise<void> =>
  new Promise((resolve) => setTimeout(resolve, seconds * 1000))
const control = (): string => join(rig.data, '.control.sock')
const moreMeasured = (what: string, atLeast = 2): Promise<void> =>
  rig.untilMeasured(what, rig.newestSeq, atLeast, patienceSeconds)

describeWith(['socat', 'mosquitto'], 'an agent that lives for months [rig]', () => {
  it(
    'PC-63 lost links, sensor resets and questions cost neither memory nor descriptors, and limits stand in the unit',
    async () => {
      await make({ broker: true, uplink: 'pack_every_min: 0.05' })
      rig.feedFrames(200)
      rig.start()
      const trouble = async (rounds: number): Promise<void> => {
        for (let n = 0; n < rounds; n++) {
          await rig.pty.unplug()
          await rig.pty.replug()
          await rig.broker!.restart()
          for (let asked = 0; asked < 40; asked++) await askControl(control(), { do: 'status' })
          await moreMeasured(`in round ${n}`)
        }
      }
      await rig.untilMeasured('at the start', 0, 1, patienceSeconds)
      await trouble(4)
      const before = { kilobytes: rig.residentKilobytes(), descriptors: rig.descriptors().length }
      await trouble(6)
      await waitFor('descriptors as before', () => rig.descriptors().length <= before.descriptors + 1, 30)
      const grown = rig.residentKilobytes() - before.kilobytes
      console.info(`resident memory grew by ${grown} kB in six rounds`)
      expect(grown).toBeLessThan(20_000)
      await rig.untilHealth('memory', (health) => 'resident_mb' in health, patienceSeconds)

      const megabytes = Number(/^(\d+)M$/.exec(unit('MemoryMax') ?? '')?.[1])
      const heap = Number(/--max-old-space-size=(\d+)/.exec(unit('ExecStart') ?? '')?.[1])
      expect(megabytes).toBeLessThan(400)
      expect(heap).toBeLessThan(megabytes)
    },
    5 * minute,
  )
})

/** Closes each connection with a reset as soon as the client has spoken: in the middle of a TLS handshake. */
const resetting = (): Promise<Listener> =>
  listenOnLoopback((socket) => {
    socket.on('error', () => undefined)
    socket.once('data', () => socket.resetAndDestroy())
  })

/** Settings with an uplink of the test's own. */
function uplinkTo(url: string): void {
  const text = readFileSync(rig.settingsFile, 'utf8')
  writeFileSync(rig.settingsFile, text.replace(/^uplink: .*$/m, `uplink: { mode: mqtt, url: '${url}' }`))
}

describeWith(['socat'], 'errors that nobody expects [rig]', () => {
  it(
    'PC-64 a refused connection, a reset in the handshake, a closed port, a broken pipe and a client that vanishes end nothing',
    async () => {
      await make({ instrument: 'silent_after_s: 2, reopen_after_s: 2' })
      const far = await resetting()
      closing.push(() => far.close())
      rig.feedFrames()
      uplinkTo('mqtts://127.0.0.1:1')
      rig.start()
      await rig.untilLog('ECONNREFUSED', patienceSeconds)
      await moreMeasured('through refused connections')
      expect(await rig.stop()).toBe(0)

      uplinkTo(`mqtts://127.0.0.1:${far.port}`)
      rig.start()
      await rig.untilLog('ECONNRESET', patienceSeconds)
      await moreMeasured('through resets in the handshake')

      for (let n = 0; n < 5; n++) {
        const socket = connect(control())
        socket.on('error', () => undefined)
        socket.on('connect', () => {
          socket.write('{"do":"status"}\n')
          socket.destroy()
        })
        await new Promise((resolve) => socket.once('close', resolve))
      }
      await moreMeasured('after clients that vanished')

      await rig.pty.unplug()
      await rig.untilLog('port-gone', patienceSeconds)
      await rig.pty.replug()
      await moreMeasured('after the port was closed')

      rig.agent!.stdout!.destroy()
      rig.agent!.stderr!.destroy()
      // What is told now goes into a broken pipe.
      await rig.pty.unplug()
      await rig.pty.replug()
      await moreMeasured('after the pipe of the log broke')
      expect(rig.running).toBe(true)
    },
    3 * minute,
  )

  it(
    'PC-64 a bug of our own saves what there is and ends with a code that is not zero',
    async () => {
      await make()
      const bug = join(rig.folder, 'bug.mjs')
      writeFileSync(
        bug,
        `process.on('SIGUSR2', () => { setTimeout(() => { throw new Error('made bug') }) })\n`,
      )
      rig.feedFrames()
      rig.start({ NODE_OPTIONS: `--import=${bug}` })
      await moreMeasured('before the bug')
      const before = rig.newestSeq
      expect(await rig.stop('SIGUSR2')).toBe(70)
      expect(rig.log).toContain('made bug')
      expect(rig.newestSeq).toBeGreaterThanOrEqual(before)
      expect(storedEvents(rig.data).at(-1)).toMatchObject({
        name: 'stopped',
        details: 'reason=internal error',
      })
    },
    2 * minute,
  )
})

/** What systemd is to a service: a datagram socket, and the time in which something must come. */
class ServiceManager {
  private readonly heard: string
  readonly environment: NodeJS.ProcessEnv

  /** Where `systemd-notify` is not installed a stand-in sends the same datagram. */
  constructor(watchdogSeconds: number) {
    const socket = join(rig.folder, 'notify')
    this.heard = join(rig.folder, 'heard')
    const programs = join(rig.folder, 'programs')
    mkdirSync(programs)
    const notify = join(programs, 'systemd-notify')
    writeFileSync(notify, '#!/bin/sh\nprintf "%s\\n" "$1" | socat - UNIX-SENDTO:"$NOTIFY_SOCKET"\n')
    chmodSync(notify, 0o755)
    started(spawn('socat', ['-u', `UNIX-RECV:${socket}`, `CREATE:${this.heard}`], { stdio: 'ignore' }))
    this.environment = {
      NOTIFY_SOCKET: socket,
      WATCHDOG_USEC: String(watchdogSeconds * 1e6),
      PATH: `${programs}:${process.env.PATH ?? ''}`,
    }
  }

  ready(): Promise<void> {
    return waitFor('the socket of the service manager', () => existsSync(this.environment.NOTIFY_SOCKET!))
  }

  get feeds(): number {
    const text = existsSync(this.heard) ? readFileSync(this.heard, 'utf8') : ''
    return text.split('\n').filter((line) => line === 'WATCHDOG=1').length
  }

  moreFeeds(what: string, more = 2): Promise<void> {
    const before = this.feeds
    return waitFor(`feeds ${what}`, () => this.feeds >= before + more, patienceSeconds)
  }

  /** What was under way has come; then a whole watchdog time and more passes without a feed. */
  async starves(watchdogSeconds: number): Promise<boolean> {
    await pause(watchdogSeconds)
    const before = this.feeds
    await pause(1.5 * watchdogSeconds)
    return this.feeds === before
  }
}

describeWith(['socat', 'strace'], 'a process that is alive but frozen [rig]', () => {
  const watchdogSeconds = 4

  it(
    'PC-65 the watchdog is fed while loop and storage go on, and not while either hangs',
    async () => {
      await make()
      const manager = new ServiceManager(watchdogSeconds)
      await manager.ready()
      rig.feedFrames()
      rig.start(manager.environment)
      await moreMeasured('at the start')
      await manager.moreFeeds('while all is well')

      rig.agent!.kill('SIGSTOP')
      expect(await manager.starves(watchdogSeconds)).toBe(true)
      rig.agent!.kill('SIGCONT')
      await manager.moreFeeds('after the process went on')

      // Every sync of the agent waits from here on, as on a card that does not answer.
      const hanging = ['-e', 'trace=fdatasync', '-e', 'inject=fdatasync:delay_enter=600s']
      const strace = started(
        spawn('strace', ['-f', '-q', '-o', '/dev/null', ...hanging, '-p', String(rig.agent!.pid)]),
      )
      await rig.untilLog('the watchdog is not fed: writing lines', patienceSeconds)
      expect(await manager.starves(watchdogSeconds)).toBe(true)
      const gone = new Promise((resolve) => strace.once('exit', resolve))
      strace.kill('SIGINT')
      await gone
      await manager.moreFeeds('after the card answered')
    },
    4 * minute,
  )

  it('PC-65 the unit has a watchdog that a child may feed, and starts the program anew for ever', async () => {
    await make()
    expect(unit('WatchdogSec')).toMatch(/^\d+min$/)
    expect(unit('NotifyAccess')).toBe('all')
    expect(unit('Restart')).toBe('always')
    expect(unit('StartLimitIntervalSec')).toBe('0')
  })

  it(
    'PC-65 a missing sensor starves nothing: a new start would not bring it back',
    async () => {
      await make()
      const manager = new ServiceManager(watchdogSeconds)
      await manager.ready()
      await rig.pty.unplug()
      rig.start(manager.environment)
      await rig.untilLog('port-missing', patienceSeconds)
      await manager.moreFeeds('without a sensor', 3)
      await rig.pty.replug()
    },
    2 * minute,
  )
})

describeWith(['socat', 'mosquitto'], 'a board that is busy with other things [rig]', () => {
  it(
    'PC-66 two busy loops beside it cost no frame and no record',
    async () => {
      await make({ broker: true })
      rig.feedFrames(500)
      rig.start()
      await moreMeasured('before the load')
      const from = rig.newestSeq
      for (let n = 0; n < 2; n++) started(spawn('sh', ['-c', 'while :; do :; done'], { stdio: 'ignore' }))
      await rig.untilMeasured('under load', from, 20, 2 * patienceSeconds)
      const under = rig.records.filter((record) => record.seq > from)
      const used = under.reduce((sum, record) => sum + record.used, 0)
      const recorded = under.reduce((sum, record) => sum + record.seconds, 0)
      expect(used / recorded).toBeGreaterThan(0.95)
      const health = await askControl(control(), { do: 'status' })
      expect(health.ok).toBe(true)
      await rig.stop('SIGTERM')
      await rig.untilHealth('told', () => true, patienceSeconds)
      expect(rig.health?.instruments[0].decoder.refused['bad-checksum'] ?? 0).toBe(0)
      expect(Number(unit('CPUWeight'))).toBeGreaterThan(100)
      expect(Number(unit('Nice'))).toBeLessThan(0)
    },
    4 * minute,
  )
})
