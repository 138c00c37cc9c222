from pipeline.command_line import main

main()
