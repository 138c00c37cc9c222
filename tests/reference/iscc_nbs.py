"""ISCC-NBS centroid colours (Kelly & Judd, NBS Special Publication 440, 1976) as sRGB approximations.

The names and sRGB values are those of a transcription in an open colour dictionary; the standard numbers 267 centroids, one
is missing there. The primary data are Munsell renotations, so the codes are approximations. The head noun comes last.
"""

from __future__ import annotations

import re

_TEXT = """
Black #222222; Blackish Blue #202830; Blackish Green #1a2421; Blackish Purple #291e29; Blackish Red #2e1d21;
Bluish Black #202428; Bluish Gray #81878b; Bluish White #e9e9ed; Brilliant Blue #4997d0;
Brilliant Bluish Green #00a693; Brilliant Green #3eb489; Brilliant Greenish Blue #239eba;
Brilliant Greenish Yellow #e9e450; Brilliant Orange #fd943f; Brilliant Orange Yellow #ffc14f;
Brilliant Purple #d399e6; Brilliant Purplish Blue #6c79b8; Brilliant Purplish Pink #ffc8d6;
Brilliant Violet #7e73b8; Brilliant Yellow #fada5e; Brilliant Yellow Green #bdda57;
Brilliant Yellowish Green #83d37d; Brownish Black #28201c; Brownish Gray #5b504f; Brownish Orange #ae6938;
Brownish Pink #c2ac99; Dark Blue #00304e; Dark Bluish Gray #51585e; Dark Bluish Green #004b49; Dark Brown #422518;
Dark Gray #555555; Dark Grayish Blue #36454f; Dark Grayish Brown #3e322c; Dark Grayish Green #3a4b47;
Dark Grayish Olive #363527; Dark Grayish Olive Green #31362b; Dark Grayish Purple #50404d;
Dark Grayish Red #543d3f; Dark Grayish Reddish Brown #43302e; Dark Grayish Yellow #a18f60;
Dark Grayish Yellowish Brown #483c32; Dark Green #1b4d3e; Dark Greenish Blue #004958; Dark Greenish Gray #4e5755;
Dark Greenish Yellow #98943e; Dark Olive #403d21; Dark Olive Brown #3b3121; Dark Olive Green #2b3d26;
Dark Orange Yellow #be8a3d; Dark Pink #c08081; Dark Purple #563c5c; Dark Purplish Blue #252440;
Dark Purplish Gray #5d555b; Dark Purplish Pink #c17e91; Dark Purplish Red #673147; Dark Red #722f37;
Dark Reddish Brown #3e1d1e; Dark Reddish Gray #5c504f; Dark Reddish Orange #9e4732; Dark Reddish Purple #5d3954;
Dark Violet #2f2140; Dark Yellow #ab9144; Dark Yellowish Brown #4b3621; Dark Yellowish Green #355e3b;
Dark Yellowish Pink #c48379; Deep Blue #00416a; Deep Bluish Green #00443f; Deep Brown #593319; Deep Green #00543d;
Deep Greenish Blue #2e8495; Deep Greenish Yellow #9b9400; Deep Olive Green #232f00; Deep Orange #be6516;
Deep Orange Yellow #c98500; Deep Pink #e4717a; Deep Purple #602f6b; Deep Purplish Blue #272458;
Deep Purplish Pink #de6fa1; Deep Purplish Red #78184a; Deep Red #841b2d; Deep Reddish Brown #56070c;
Deep Reddish Orange #aa381e; Deep Reddish Purple #702963; Deep Violet #32174d; Deep Yellow #af8d13;
Deep Yellow Green #467129; Deep Yellowish Brown #654522; Deep Yellowish Green #00622d; Deep Yellowish Pink #e66721;
Grayish Blue #536878; Grayish Brown #635147; Grayish Green #5e716a; Grayish Greenish Yellow #b9b57d;
Grayish Olive #5b5842; Grayish Olive Green #515744; Grayish Pink #c4aead; Grayish Purple #796878;
Grayish Purplish Blue #4c516d; Grayish Purplish Pink #c3a6b1; Grayish Purplish Red #915f6d; Grayish Red #905d5d;
Grayish Reddish Brown #674c47; Grayish Reddish Orange #b4745e; Grayish Reddish Purple #836479;
Grayish Violet #554c69; Grayish Yellow #c2b280; Grayish Yellow Green #8f9779; Grayish Yellowish Brown #7e6d5a;
Grayish Yellowish Pink #c7ada3; Greenish Black #1e2321; Greenish Gray #7d8984; Greenish White #dfede8;
Light Blue #70a3cc; Light Bluish Gray #b4bcc0; Light Bluish Green #66ada4; Light Brown #a67b5b;
Light Brownish Gray #8e8279; Light Gray #b9b8b5; Light Grayish Brown #958070; Light Grayish Olive #8c8767;
Light Grayish Purplish Red #af868e; Light Grayish Red #ad8884; Light Grayish Reddish Brown #977f73;
Light Green #6aab8e; Light Greenish Blue #66aabc; Light Greenish Gray #b2beb5; Light Greenish Yellow #eae679;
Light Olive #867e36; Light Olive Brown #967117; Light Olive Gray #8a8776; Light Orange #fab57f;
Light Orange Yellow #fbc97f; Light Pink #f9ccca; Light Purple #b695c0; Light Purplish Blue #8791bf;
Light Purplish Gray #bfb9bd; Light Purplish Pink #efbbcc; Light Reddish Brown #a87c6d;
Light Reddish Purple #b784a7; Light Violet #8c82b6; Light Yellow #f8de7e; Light Yellow Green #c9dc89;
Light Yellowish Brown #c19a6b; Light Yellowish Green #93c592; Light Yellowish Pink #f4c2c2; Medium Gray #848482;
Moderate Blue #436b95; Moderate Bluish Green #317873; Moderate Brown #6f4e37; Moderate Green #3b7861;
Moderate Greenish Blue #367588; Moderate Greenish Yellow #b9b459; Moderate Olive #665d1e;
Moderate Olive Brown #6c541e; Moderate Olive Green #4a5d23; Moderate Orange #d99058;
Moderate Orange Yellow #e3a857; Moderate Pink #dea5a4; Moderate Purple #86608e; Moderate Purplish Blue #4e5180;
Moderate Purplish Pink #d597ae; Moderate Purplish Red #a8516e; Moderate Red #ab4e52;
Moderate Reddish Brown #79443b; Moderate Reddish Orange #cb6d51; Moderate Reddish Purple #915c83;
Moderate Violet #604e81; Moderate Yellow #c9ae5d; Moderate Yellow Green #8a9a5b; Moderate Yellowish Brown #826644;
Moderate Yellowish Green #679267; Moderate Yellowish Pink #d9a6a9; Olive Black #25241d; Olive Gray #57554c;
Pale Blue #91a3b0; Pale Green #8da399; Pale Greenish Yellow #ebe8a4; Pale Orange Yellow #fad6a5; Pale Pink #ead8d7;
Pale Purple #aa98a9; Pale Purplish Blue #8c92ac; Pale Purplish Pink #e8ccd7; Pale Reddish Purple #aa8a9e;
Pale Violet #9690ab; Pale Yellow #f3e5ab; Pale Yellow Green #dadfb7; Pale Yellowish Pink #ecd5c5;
Pinkish Gray #c1b6b3; Pinkish White #eae3e1; Purplish Black #242124; Purplish Gray #8b8589; Purplish White #e8e3e5;
Reddish Black #282022; Reddish Gray #8f817f; Strong Blue #0067a5; Strong Bluish Green #007a74;
Strong Brown #80461b; Strong Green #007959; Strong Greenish Blue #007791; Strong Greenish Yellow #beb72e;
Strong Olive Green #404f00; Strong Orange #ed872d; Strong Orange Yellow #eaa221; Strong Pink #ea9399;
Strong Purple #875692; Strong Purplish Blue #545aa7; Strong Purplish Pink #e68fac; Strong Purplish Red #b3446c;
Strong Red #bc3f4a; Strong Reddish Brown #882d17; Strong Reddish Orange #d9603b; Strong Reddish Purple #9e4f88;
Strong Violet #604e97; Strong Yellow #d4af37; Strong Yellow Green #7e9f2e; Strong Yellowish Brown #996515;
Strong Yellowish Green #44944a; Strong Yellowish Pink #f99379; Very Dark Bluish Green #002a29;
Very Dark Green #1c352d; Very Dark Greenish Blue #002e3b; Very Dark Purple #301934; Very Dark Purplish Red #38152c;
Very Dark Red #3f1728; Very Dark Reddish Purple #341731; Very Dark Yellowish Green #173620;
Very Deep Purple #401a4c; Very Deep Purplish Red #54133b; Very Deep Red #5c0923; Very Deep Reddish Purple #54194e;
Very Deep Yellowish Green #003118; Very Light Blue #a1caf1; Very Light Bluish Green #96ded1;
Very Light Green #8ed1b2; Very Light Greenish Blue #9cd1dc; Very Light Purple #d5badb;
Very Light Purplish Blue #b3bce2; Very Light Violet #dcd0ff; Very Light Yellowish Green #b6e5af;
Very Pale Blue #bcd4e6; Very Pale Green #c7e6d7; Very Pale Purple #d6cadd; Very Pale Purplish Blue #c0c8e1;
Very Pale Violet #c4c3dd; Vivid Blue #00a1c2; Vivid Bluish Green #008882; Vivid Green #008856;
Vivid Greenish Blue #0085a1; Vivid Greenish Yellow #dcd300; Vivid Orange #f38400; Vivid Orange Yellow #f6a600;
Vivid Pink #ffb5ba; Vivid Purple #9a4eae; Vivid Purplish Blue #30267a; Vivid Purplish Red #ce4676;
Vivid Red #be0032; Vivid Reddish Orange #e25822; Vivid Reddish Purple #870074; Vivid Violet #9065ca;
Vivid Yellow #f3c300; Vivid Yellow Green #8db600; Vivid Yellowish Green #27a64c; Vivid Yellowish Pink #ffb7a5;
White #f2f3f4; Yellowish Gray #bfb8a5; Yellowish White #f0ead6;
"""

CENTROIDS: tuple[tuple[str, str], ...] = tuple(re.findall(r"([A-Z][A-Za-z ]+) (#[0-9a-f]{6})", _TEXT))
